"""The parts of a rule sheet as plain values, against the sheets that ship."""

from __future__ import annotations

from dataclasses import FrozenInstanceError

import pytest

from rules.findings import Unit
from rules.sheet import load_sheet, sheet_names
from rules.table import (
    EXCLUSIVE,
    NAME_COMPARISONS,
    NUMBER_COMPARISONS,
    AtLimit,
    Comparison,
    Condition,
    Limit,
)
from rules.vocabulary import VOCABULARY, Kind


def test_every_comparison_is_of_numbers_or_of_names() -> None:
    assert sorted((*NUMBER_COMPARISONS, *NAME_COMPARISONS)) == sorted(Comparison)


@pytest.mark.parametrize(("value", "passes"), [(1.290, False), (1.291, True), (1.292, True)])
def test_what_is_exactly_on_the_limit_is_the_only_difference_that_a_buyer_can_make(
    value: float, *, passes: bool
) -> None:
    # 'At least' against 'more than' 16 AWG (1.291 mm): the trade has both (common practice).
    compare = {
        Comparison.AT_LEAST: value >= 1.291,
        Comparison.MORE_THAN: value > 1.291,
        Comparison.BELOW: value < 1.291,
        Comparison.AT_MOST: value <= 1.291,
    }
    assert compare[Comparison.AT_LEAST] is passes
    for inclusive, exclusive in EXCLUSIVE.items():
        differs = compare[inclusive] is not compare[exclusive]
        assert differs is (value == 1.291)


@pytest.mark.parametrize("name", sheet_names())
def test_a_number_has_a_unit_and_a_name_has_none(name: str) -> None:
    conditions = [c for row in load_sheet(name).rows for c in row.conditions]
    assert conditions
    for condition in conditions:
        assert condition.is_number is (VOCABULARY[condition.finding].kind is Kind.NUMBER)
        assert (condition.unit is not None) is condition.is_number
        assert (condition.comparison in NUMBER_COMPARISONS) is condition.is_number


@pytest.mark.parametrize("name", sheet_names())
def test_lifts_go_up_and_every_grade_has_its_title(name: str) -> None:
    sheet = load_sheet(name)
    assert len(set(sheet.grade_ids)) == len(sheet.grades)
    for grade in sheet.grades:
        assert sheet.title_of(grade.id) == grade.title != ""
    for row in sheet.rows:
        assert row.grade in sheet.grade_ids
        if row.lift is not None:
            order = sheet.grade_ids.index
            assert order(row.lift.to) < order(row.grade), "best first: a lift goes up"
            assert row.lift.minutes > 0


def test_an_unknown_grade_has_no_title() -> None:
    with pytest.raises(StopIteration):
        load_sheet("house").title_of("gold")


def test_a_limit_can_not_be_changed_in_place() -> None:
    limit = Limit(value=1.291, unit=Unit.MILLIMETRE, what="16 AWG", source="ASTM B258")
    assert limit.at_limit is AtLimit.PASSES
    with pytest.raises(FrozenInstanceError):
        limit.value = 1.0  # type: ignore[misc]
    with pytest.raises(FrozenInstanceError):
        Condition(finding="form", comparison=Comparison.IS, threshold=("wire",)).unit = None  # type: ignore[misc]
