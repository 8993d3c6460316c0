"""What the second opinion compares, and how it says it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from app.opening import open_records
from app.records import PieceRecord, Records
from app.web.desk.stated import (
    shipped_sheet,
)
from app.web.opinion.comparing import (
    Call,
    agreement,
    blind_call,
    borderline_first,
    cuts_of,
    marks_of,
    pooled_marks,
)
from app.web.opinion.pooling import steps_of
from app.web.opinion.tarnish_picture import Cut, tarnish_picture
from app.web.opinion.tarnish_picture import alt_of as tarnish_alt
from rules.findings import Measurement, Unit
from rules.sheet import load_sheet
from tests.app.web.buyer_photos import photo, saved

HOUSE = load_sheet("house")


def test_the_sheets_tarnish_limits_are_on_the_strip_by_name() -> None:
    """0.25 and 0.75 are the house sheet's own (rules/sheets/house.toml)."""
    cuts = cuts_of(HOUSE)
    assert [cut.value for cut in cuts] == [0.25, 0.75]
    assert cuts[0].name.startswith("Bare bright")
    assert cuts[1].name.startswith("No. 1")


@pytest.mark.parametrize("name", ["circular-2017", "circular-before-2017"])
def test_every_shipped_sheet_can_be_drawn(name: str) -> None:
    tarnish_picture((), cuts_of(shipped_sheet(name)))


def test_marks_stay_inside_and_the_words_say_the_same() -> None:
    measured = Measurement.normal(0.05, 0.1, Unit.ONE)
    marks = marks_of(measured, Call(grade="no1", level=1.0))
    assert marks[0].low == 0.0
    assert marks[1].value == 1.0
    told = tarnish_alt(marks, (Cut(name="x", value=0.25),))
    assert "measured at 0.05, between 0.00 and 0.25" in told
    assert "your call at 1.00" in told
    assert "limit x at 0.25" in told
    tarnish_picture(marks, ())


def test_agreement_is_said_as_it_is() -> None:
    call = Call(grade="no1")
    assert "agree" in agreement(call, "no1", borderline=False)
    assert "still borderline" in agreement(call, "no1", borderline=True)
    assert "differ" in agreement(call, "no2", borderline=False)
    assert "not sure" in agreement(call, "no2", borderline=True)
    assert "either way" in agreement(call, None, borderline=True)


def record(store: Records, number: int, *, borderline: bool = False) -> PieceRecord:
    made = saved(store, photo(0.3, shade=number))
    return replace(made, grading=replace(made.grading, borderline=borderline))


def test_what_is_in_doubt_comes_first_and_the_rest_keeps_its_order(tmp_path: Path) -> None:
    with open_records(tmp_path) as store:
        pieces = [record(store, number, borderline=number % 2 == 1) for number in range(4)]
    assert borderline_first(pieces) == [pieces[1], pieces[3], pieces[0], pieces[2]]


def test_the_last_blind_call_counts_and_no_other(tmp_path: Path) -> None:
    with open_records(tmp_path) as store:
        one = saved(store, photo(0.3)).id
        assert blind_call(store.piece(one)) is None
        store.record_own_call(one, grade="no1", blind=True, tarnish_level=0.2)
        store.record_own_call(one, grade="no2", blind=True, tarnish_level=0.6)
        store.record_own_call(one, grade="set_aside", blind=False)
        assert blind_call(store.piece(one)) == Call(grade="no2", level=0.6)


def test_the_level_is_shown_after_one_photo_and_after_all(tmp_path: Path) -> None:
    with open_records(tmp_path) as store:
        steps = steps_of(saved(store, photo(0.3), photo(0.34, shade=1), photo(0.26, shade=2)))
    first, last, call = pooled_marks(steps, Call(grade="no1", level=0.5))
    assert (first.name, last.name) == ("1 photo", "3 photos")
    assert first.value == pytest.approx(0.3, abs=1e-3)
    assert None not in (first.low, first.high, last.low, last.high)
    assert last.high - last.low < first.high - first.low  # type: ignore[operator]
    assert (call.name, call.value) == ("your call", 0.5)
