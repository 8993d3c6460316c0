"""What keeps the pages quick, where a change elsewhere would take it back without a word."""

from __future__ import annotations

import gc
import io
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image
from streamlit.elements.lib.image_utils import MAXIMUM_CONTENT_WIDTH

import vision.picture.marks
from app.request import Request
from app.web.desk.inbox import keep
from app.web.desk.stated import shipped_sheet
from app.web.grade import answers
from app.web.grade.answers import LONG_SIDE_PX, answer
from app.web.server.warm import warm_up
from tests.app.web.served import DEMO

TUBE = DEMO / "tube_with_brass_end.jpg"


@pytest.fixture
def thawed() -> Iterator[None]:
    yield
    gc.unfreeze()


def request() -> Request:
    return replace(Request(sheet=shipped_sheet("house")), reference="card")


@pytest.mark.usefixtures("thawed")
def test_what_was_loaded_is_no_garbage_to_look_through() -> None:
    # Streamlit calls gc.collect(2) after each run of a page's script.
    gc.unfreeze()
    warm_up().join()
    assert gc.get_freeze_count() > 9 * len(gc.get_objects(generation=2))


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
