"""What the records say of where a buyer draws the line on tarnish."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from app.opening import open_records
from app.records import Records
from app.web.buyers import cutoffs_at, sheet_for, tarnish_limits
from rules.buyer_cutoff import MIN_OUTCOMES
from rules.engine import grade
from tests.app.web.buyer_photos import HOUSE, photo, saved, wire


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Records]:
    with open_records(tmp_path) as opened:
        yield opened


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
