"""The cards to practise on, and their pictures: the question, and what was measured."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import streamlit as st

from app.grading import Result
from app.practice.cards import PracticeCard, fixture_cards, fixture_folder, record_cards
from app.records import PieceRecord
from app.request import Request
from app.web.desk.inbox import keep
from app.web.desk.state import inbox_folder
from app.web.desk.stated import shipped_sheet
from app.web.grade.answers import answer, as_jpeg
from app.web.grade.which import tapped
from app.web.records.view import marked_photo
from app.web.store import records
from rules.errors import CuproscopeError
from vision.types import Examination, Photo, PieceReading, Region

SHEET = "house"
"""Helpers are trained on the trade's own three grades."""

RECORD = "record:"


@cache
def fixed_cards() -> tuple[PracticeCard, ...]:
    """Return the cards of the photos with truth; none where they were left out."""
    folder = fixture_folder()
    return () if folder is None else fixture_cards(folder, shipped_sheet(SHEET))


def all_cards() -> tuple[PracticeCard, ...]:
    """Return every card: photos with truth, and the shop's own confirmed pieces."""
    return fixed_cards() + record_cards(records().pieces(), shipped_sheet(SHEET))


@st.cache_data(max_entries=64, show_spinner=False)
def question_pictures(key: str) -> tuple[bytes, ...]:
    """Return the card's photo, from near first, with nothing on it but the piece's outline.

    Raises:
        CuproscopeError: The photo is gone or damaged, or no such card is known.
    """
    from vision.picture.closeup import closeup
    from vision.picture.marks import draw_marks

    card = card_of(key)
    photo = _photo(card)
    if card.place is None:
        return (as_jpeg(_reduced(photo)),)
    bare = replace(card.place, brass_boxes_px=(), solder_boxes_px=(), measured_lines_px=())
    outline = np.array(bare.outline_px, np.float64).reshape(-1, 2)
    if not len(outline):
        x, y, w, h = bare.box_px
        outline = np.array([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], np.float64)
    piece = PieceReading(
        region=Region(
            box_px=bare.box_px, mask=np.ones((1, 1), bool), outline_px=outline, score=1.0
        ),
        findings=card.findings,
    )
    whole = Examination(photo=photo, scale=None, pieces=(piece,))
    # From near without the outline: its white rim would hide a thin wire's edge.
    near = replace(closeup(whole, bare.box_px), pieces=())
    return (as_jpeg(draw_marks(near)), as_jpeg(draw_marks(whole)))


def measured_picture(card: PracticeCard) -> bytes | None:
    """Return the card's photo as the eye measures it; None where it can't be read now."""
    try:
        if card.photo_path is None:
            record = record_of(card)
            return marked_photo(record.id, record.photos[0].id) if record is not None else None
        kept = keep(card.photo_path.read_bytes(), name=card.photo_path.name, folder=inbox_folder())
        request = Request(sheet=shipped_sheet(SHEET), reference=_reference(card.photo_path))
        told = answer(kept, request, folder=inbox_folder())
    except (CuproscopeError, OSError):
        return None
    if not told.pictures or told.size_px is None:
        return None
    return told.pictures[_number_of(card, told.result, width_px=told.size_px[0])].result().jpeg


def _number_of(card: PracticeCard, result: Result, *, width_px: int) -> int:
    """Return the number of the card's piece among several on its photo; 0 for the whole photo."""
    if card.place is None or len(result.pieces) < 2:
        return 0
    x, y, w, h = card.place.box_px
    found = tapped(result, (x + w / 2, y + h / 2), width_px=width_px)
    return 0 if found is None else found + 1


def record_of(card: PracticeCard) -> PieceRecord | None:
    """Return the record a card was made of; None for a fixture, or where it was deleted."""
    try:
        return None if card.photo_path else records().piece(card.key.removeprefix(RECORD))
    except CuproscopeError:
        return None


def card_of(key: str) -> PracticeCard:
    """Return the card of a key.

    Raises:
        CuproscopeError: No such card is known any more.
    """
    for card in fixed_cards():
        if card.key == key:
            return card
    for card in record_cards(records().pieces(), shipped_sheet(SHEET)):
        if card.key == key:
            return card
    raise CuproscopeError("the card's piece was deleted", where=key)


def _photo(card: PracticeCard) -> Photo:
    from vision.photo.loading import load_photo, load_photo_file

    if card.photo_path is not None:
        return load_photo_file(card.photo_path)
    assert card.photo_sha256 is not None
    return load_photo(records().photo_bytes(card.photo_sha256), name="card")


def _reduced(photo: Photo) -> np.ndarray:
    from vision.photo.reduced import reduced

    return reduced(photo.rgb, 1600)[0]


def _reference(photo: Path) -> str:
    """Return the reference that lies on a photo with truth, by its truth file."""
    beside = photo.with_suffix(".json")
    truth = beside if beside.is_file() else photo.parent / "truth" / beside.name
    try:
        told = json.loads(truth.read_text(encoding="utf-8"))["references"]
        return str(told[0]["key"]) if told else "auto"
    except (OSError, ValueError, KeyError, IndexError, TypeError):
        return "auto"
