"""What a record's pages show of a pair, and what they keep to themselves before a call."""

from __future__ import annotations

import io
from types import SimpleNamespace
from typing import Any

import pytest
from PIL import Image

from app.records.types import PhotoRole
from app.web.records import view
from rules.sheet import load_sheet
from tests.vision.drawn_examination import examination


@pytest.mark.parametrize("read", [True, False])
def test_what_the_highlight_says_is_told_only_where_it_may_sway(
    read: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[str] = []
    monkeypatch.setattr(view, "pair_picture", lambda _: b"jpeg")
    monkeypatch.setattr(view, "name_of", lambda _: "tube")
    monkeypatch.setattr(view, "show_picture", lambda _, alt: told.append(alt))
    monkeypatch.setattr("streamlit.caption", told.append)
    place = SimpleNamespace(told="bare, says the spot")
    record: Any = SimpleNamespace(
        id="1", photos=[SimpleNamespace(role=PhotoRole.FLASH, place=place)]
    )
    view.show_pair(record, read=read)
    assert len(told) == 2
    assert all(("says the spot" in words) is read for words in told)


def test_a_record_is_called_what_it_was_told_as() -> None:
    told: Any = SimpleNamespace(
        guess=False, borderline=False, suggested="set_aside", line="brass", p={"set_aside": 1.0}
    )
    record: Any = SimpleNamespace(grading=told)
    house = load_sheet("house")
    assert view.told_grade(record, house) == "Set aside: brass"
    told.p, told.suggested = {"berry": 1.0}, "berry"
    assert view.told_grade(record, house) == "berry"


@pytest.mark.parametrize(("side_px", "is_near"), [(60, True), (500, False)])
def test_a_small_piece_is_shown_from_near(side_px: int, is_near: bool) -> None:
    found = examination(size=(900, 1200), pieces=1)
    place: Any = SimpleNamespace(
        box_px=(300, 300, side_px, side_px),
        outline_px=(),
        brass_boxes_px=(),
        solder_boxes_px=(),
        measured_lines_px=(),
    )
    photo: Any = SimpleNamespace(name="a.jpg", place=place, findings=found.pieces[0].findings)
    file = io.BytesIO()
    Image.fromarray(found.photo.rgb).save(file, "PNG")
    with Image.open(io.BytesIO(view.drawn(file.getvalue(), photo, photo))) as picture:
        assert (picture.size == (1200, 900)) is not is_near
