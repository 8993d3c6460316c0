"""A recorded piece as pages show it: pictures, grade in words, sheet."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import streamlit as st

from app.grading import GradedPiece
from app.records import NoSuchRecordError, PhotoRole, PiecePhoto, PieceRecord, SheetStamp
from app.web.desk.stated import shipped_sheet
from app.web.grade.answers import as_jpeg
from app.web.grade.verdict import as_line
from app.web.picture import show_picture
from app.web.plain import plain
from app.web.store import records
from app.words import grade_words
from rules.errors import CuproscopeError
from rules.findings import What
from rules.sheet import RuleSheet, sheet_names
from rules.vocabulary import FORM_WORDS

if TYPE_CHECKING:
    from vision.types import Image

SIGN_CONFIRMED = "✓ confirmed"

NEAR_SHARE = 0.25
"""A piece shorter than this share of its photo is shown from near: of a tableful nobody would see
which one is meant; by eye."""


def sheet_of(stamp: SheetStamp) -> RuleSheet:
    """Return the sheet a piece was graded by; the house sheet where it is not known here."""
    # A buyer's own limits leave the grades as they are: "house, Weir yard" has those of house.
    name = stamp.id.split(",", maxsplit=1)[0]
    return shipped_sheet(name if name in sheet_names() else "house")


def title_of(grade: str | None, sheet: RuleSheet) -> str:
    """Return what a grade is called; its id where the sheet doesn't know it."""
    if grade is None:
        return "No grade"
    return sheet.title_of(grade) if grade in sheet.grade_ids else grade


def told_grade(record: PieceRecord, sheet: RuleSheet) -> str:
    """Return the grade as it was told ("Set aside: brass"); its id where no sheet here has it."""
    grading = record.grading
    if set(grading.p) <= set(sheet.grade_ids):
        return grade_words(grading, sheet)
    return title_of(grading.suggested, sheet)


def as_piece(record: PieceRecord) -> GradedPiece:
    """Return a record as a graded piece, without its place on a photo.

    Grades that the sheet at hand does not know are left out of its probabilities.
    """
    return GradedPiece(findings=record.findings, grading=record.grading, name=record.name)


def name_of(record: PieceRecord) -> str:
    """Return what to call a record: its name, else what it is."""
    return record.name or FORM_WORDS[record.findings.form.value]


def when(record: PieceRecord) -> str:
    """Return when a piece was recorded, to the minute, in local time."""
    return record.created_utc.astimezone().strftime("%d %b %Y, %H:%M")


@st.cache_data(max_entries=32, show_spinner=False)
def marked_photo(record_id: str, photo_id: str) -> bytes:
    """Return a stored photo with outline, widths and flags drawn on it again, as a JPEG.

    A stored photo and its place never change, so their ids are all there is to know.

    Raises:
        RecordsError: The record or the file is gone.
        PhotoError: The stored file can't be decoded.
    """
    record = records().piece(record_id)
    photo = next((one for one in record.photos if one.id == photo_id), None)
    if photo is None:
        raise NoSuchRecordError("the photo was deleted", where="photo")
    return drawn(records().photo_bytes(photo.sha256), photo, record)


def flash_photo_of(record: PieceRecord) -> PiecePhoto | None:
    """Return the photo of a piece with the flash on; None where there is none."""
    return next((one for one in record.photos if one.role is PhotoRole.FLASH), None)


HOW_TO_READ = "a coat's bright spot is pale like the lamp, bare copper's keeps the copper's colour"


@st.cache_data(max_entries=16, show_spinner=False)
def pair_picture(record_id: str) -> bytes | None:
    """Return a piece without and with the flash, its highlight marked; None without a pair.

    Raises:
        RecordsError: The record or a file is gone.
        PhotoError: A stored file can't be decoded.
    """
    from vision.picture.side_by_side import Look, side_by_side

    record = records().piece(record_id)
    flash = flash_photo_of(record)
    if flash is None or flash.place is None or record.photos[0].place is None:
        return None

    def look(photo: PiecePhoto, title: str) -> Look:
        from vision.photo.loading import load_photo

        place = photo.place
        assert place is not None
        return Look(
            rgb=load_photo(records().photo_bytes(photo.sha256), name=photo.name or "photo").rgb,
            box_px=place.box_px,
            outline_px=np.array(place.outline_px or _corners(place.box_px), np.float64),
            title=title,
            core_px=place.core_boxes_px,
            ring_px=place.ring_boxes_px,
        )

    return as_jpeg(side_by_side(look(record.photos[0], "without flash"), look(flash, "with flash")))


def show_pair(record: PieceRecord, *, read: bool = True) -> None:
    """Show both photos of a piece, where it has a pair, and what its highlight says.

    Args:
        record: The piece.
        read: Whether to tell that; else how a person reads it.
    """
    flash = flash_photo_of(record)
    if flash is None or flash.place is None:
        return
    try:
        data = pair_picture(record.id)
    except CuproscopeError as fault:
        st.warning(plain(fault.message))
        return
    if data is not None:
        told = flash.place.told if read else HOW_TO_READ
        show_picture(data, alt=f"{name_of(record)} without and with the flash: {told}")
        st.caption(plain(as_line(told)))


def drawn(data: bytes, photo: PiecePhoto, record: PieceRecord) -> bytes:
    """Return a photo with what was found on it, as a JPEG; ``PhotoError`` if it is damaged."""
    from vision.photo.loading import load_photo
    from vision.picture.closeup import closeup
    from vision.picture.marks import draw_marks
    from vision.types import Examination, PieceReading, Region

    loaded = load_photo(data, name=photo.name or "photo")
    place = photo.place
    if place is None:
        return as_jpeg(_small(loaded.rgb))
    outline = np.array(place.outline_px or _corners(place.box_px), np.float64)
    reading = PieceReading(
        region=Region(
            box_px=place.box_px, mask=np.ones((1, 1), bool), outline_px=outline, score=1.0
        ),
        findings=photo.findings or record.findings,
        boxes_px={What.BRASS: place.brass_boxes_px, What.SOLDER: place.solder_boxes_px},
        measured_lines_px=np.array(place.measured_lines_px, np.float64).reshape(-1, 2, 2),
    )
    shown = Examination(photo=replace(loaded, name=photo.name), scale=None, pieces=(reading,))
    if max(place.box_px[2:]) < NEAR_SHARE * max(loaded.width_px, loaded.height_px):
        shown = closeup(shown, place.box_px)
    return as_jpeg(draw_marks(shown))


def _corners(box: tuple[int, int, int, int]) -> list[tuple[int, int]]:
    x, y, w, h = box
    return [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]


def _small(rgb: Image) -> Image:
    from vision.photo.reduced import reduced

    return reduced(rgb, 1600)[0]
