"""Several photos of one recorded piece, and what a buyer made of several pieces."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from app.opening import open_records
from app.records import NewPhoto, NewPiece, PhotoRole, PieceRecord, Records
from app.web.buyers import cutoffs_at, sheet_for, tarnish_limits
from app.web.opinion.pooling import change_of, level_of, pooled_with, steps_of
from rules.buyer_cutoff import MIN_OUTCOMES
from rules.engine import grade
from rules.findings import Findings, Form
from rules.sheet import load_sheet
from tests.vision.drawn_examination import findings, finish, mm

HOUSE = load_sheet("house")
PIXELS = np.full((40, 60, 3), 120, np.uint8)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Records]:
    with open_records(tmp_path) as opened:
        yield opened


def wire(tarnish: float) -> Findings:
    known = findings(Form.WIRE, diameter=mm(2.0, 0.03), strand=mm(2.0, 0.03))
    return replace(known, finish=finish(tarnish=tarnish))


def photo(tarnish: float, role: PhotoRole = PhotoRole.PLAIN, shade: int = 0) -> NewPhoto:
    return NewPhoto(
        rgb=PIXELS + np.uint8(shade), role=role, findings=wire(tarnish), reference="card"
    )


def saved(store: Records, *photos: NewPhoto) -> PieceRecord:
    known = photos[0].findings
    assert known is not None
    return store.save_piece(
        NewPiece(findings=known, grading=grade(known, HOUSE), sheet=HOUSE, photos=photos)
    )


def test_each_further_photo_narrows_the_interval(store: Records) -> None:
    record = saved(store, photo(0.30), photo(0.32, shade=1), photo(0.28, shade=2))
    widths = [step.level.high95 - step.level.low95 for step in steps_of(record)]
    assert len(widths) == 3
    assert widths == sorted(widths, reverse=True)
    assert widths[2] < 0.95 * widths[0]
    # What the photos share does not shrink, so three are less than root-three better.
    assert widths[2] > widths[0] / np.sqrt(3)


def test_photos_of_another_thing_are_noticed(store: Records) -> None:
    record = saved(store, photo(0.1), photo(0.9, shade=1))
    assert "tarnish_level" in pooled_with(record).disagreeing


def test_a_photo_from_after_cleaning_changes_nothing_of_what_it_was(store: Records) -> None:
    record = saved(store, photo(0.6), photo(0.1, PhotoRole.AFTER, shade=1))
    level = level_of(pooled_with(record).findings)
    assert level is not None
    assert level.value == pytest.approx(0.6)
    assert len(steps_of(record)) == 1
    change = change_of(record)
    assert change is not None
    assert change.difference == pytest.approx(-0.5)
    assert "Brighter by 0.50" in change.words()


def test_a_difference_within_the_doubt_is_none(store: Records) -> None:
    record = saved(store, photo(0.30), photo(0.28, PhotoRole.AFTER, shade=1))
    change = change_of(record)
    assert change is not None
    assert "No difference" in change.words()
    assert change_of(saved(store, photo(0.3, shade=3))) is None


def test_the_house_sheet_has_two_limits_about_tarnish() -> None:
    assert tarnish_limits(HOUSE) == ("bare_bright_tarnish", "no1_tarnish")


def sell(store: Records, buyer_id: str, levels: list[float], line: float) -> None:
    for number, level in enumerate(levels):
        record = saved(store, photo(level, shade=number))
        taken = "bare_bright" if level < line else "no1"
        store.record_outcome(record.id, buyer_id=buyer_id, grade=taken)


def test_a_buyers_limit_is_shown_from_the_first_outcome_and_used_from_the_tenth(
    store: Records,
) -> None:
    buyer = store.add_buyer("Weir yard")
    sell(store, buyer.id, [0.2, 0.5, 0.3], line=0.42)
    few = cutoffs_at(store, buyer.id, HOUSE)
    # The dull one, taken as No. 1, also says a little of where No. 1 ends.
    assert [one.outcomes for one in few] == [3, 1]
    assert not few[0].usable
    assert sheet_for(store, buyer.id, HOUSE) is HOUSE
    sell(store, buyer.id, [0.36, 0.40, 0.44, 0.48, 0.38, 0.46, 0.41, 0.43, 0.39, 0.45], line=0.42)
    learned, _ = cutoffs_at(store, buyer.id, HOUSE)
    assert learned.outcomes >= MIN_OUTCOMES
    assert learned.low95 < 0.42 < learned.high95
    own = sheet_for(store, buyer.id, HOUSE)
    assert own.limits["bare_bright_tarnish"].value == pytest.approx(learned.value, abs=1e-4)
    # The same wire: too dull for the sheet, bright enough for this buyer.
    dull = wire(0.33)
    assert grade(dull, HOUSE).p["bare_bright"] < grade(dull, own).p["bare_bright"]


def test_another_buyers_outcomes_say_nothing(store: Records) -> None:
    one, two = store.add_buyer("Weir yard"), store.add_buyer("Mill lane")
    sell(store, one.id, [0.2, 0.5], line=0.4)
    assert cutoffs_at(store, two.id, HOUSE) == ()
