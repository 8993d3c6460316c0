"""A photo's answer: made once, told before its pictures are drawn."""

from __future__ import annotations

import io
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image
from streamlit.elements.lib.image_utils import MAXIMUM_CONTENT_WIDTH

import vision.picture.marks
from app.grading import grade_examination
from app.request import Request
from app.web.desk.inbox import keep
from app.web.desk.stated import (
    shipped_sheet,
)
from app.web.grade import answers
from app.web.grade.answers import LONG_SIDE_PX, Shelf, _pictures, answer
from rules.sheet import load_sheet
from tests.app.web.served import DEMO
from tests.vision.drawn_examination import examination

HOUSE = load_sheet("house")


TUBE = DEMO / "tube_with_brass_end.jpg"


def request() -> Request:
    return replace(Request(sheet=shipped_sheet("house")), reference="card")


def test_a_place_to_cut_is_shown_only_where_the_cut_is_worth_it() -> None:
    request = Request(sheet=HOUSE)
    result = grade_examination(examination(pieces=1, size=(750, 1000)), request)
    (piece,) = result.pieces
    assert piece.grading.lifts
    idle = replace(piece, grading=replace(piece.grading, lifts=()))
    with_cut = _pictures(result, request)
    without = _pictures(replace(result, pieces=(idle,)), request)
    for one, other in zip(with_cut, without, strict=True):
        assert one.result().jpeg != other.result().jpeg


def test_the_shelf_keeps_the_last_and_makes_each_once() -> None:
    shelf: Shelf[int] = Shelf(2)
    made = []

    def make(value: int) -> int:
        made.append(value)
        return value

    for key in (1, 2, 1, 3, 1, 2):
        assert shelf.get(key, lambda key=key: make(key)) == key  # type: ignore[misc]
    assert made == [1, 2, 3, 2]


def test_pictures_are_small_enough_to_be_sent_as_they_are(tmp_path: Path) -> None:
    # Streamlit decodes, shrinks and codes anew what is wider than this (image_utils.py).
    assert LONG_SIDE_PX <= MAXIMUM_CONTENT_WIDTH
    kept = keep(TUBE.read_bytes(), name="tube.jpg", folder=tmp_path)
    answers.forget_answers()  # uploads are stripped, so that the same photo is the same upload
    told = answer(kept, request(), folder=tmp_path)
    for picture in told.pictures:
        with Image.open(io.BytesIO(picture.result().jpeg)) as shown:
            assert max(shown.size) <= LONG_SIDE_PX


def test_the_grade_does_not_wait_for_the_pictures(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    may_draw = threading.Event()
    drawn = vision.picture.marks.draw_marks

    def slow(*given: object, **options: object) -> object:
        may_draw.wait(timeout=30)
        return drawn(*given, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(vision.picture.marks, "draw_marks", slow)
    kept = keep(TUBE.read_bytes(), name="tube.jpg", folder=tmp_path)
    answers.forget_answers()  # uploads are stripped, so that the same photo is the same upload
    told = answer(kept, request(), folder=tmp_path)
    assert told.result.pieces
    assert not any(picture.done() for picture in told.pictures)
    may_draw.set()
    assert [picture.result().label for picture in told.pictures] == ["Whole photo", "From near"]


def test_a_picture_that_cannot_be_drawn_says_so_where_it_is_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*given: object, **options: object) -> object:
        raise RuntimeError("no ink")

    monkeypatch.setattr(answers, "_drawn", broken)
    kept = keep(TUBE.read_bytes(), name="tube.jpg", folder=tmp_path)
    answers.forget_answers()  # uploads are stripped, so that the same photo is the same upload
    told = answer(kept, request(), folder=tmp_path)
    with pytest.raises(RuntimeError, match="no ink"):
        told.pictures[0].result()
