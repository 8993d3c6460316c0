"""The rules' words: each finding has one, each word has what it needs."""

from __future__ import annotations

import string
from dataclasses import fields

import pytest

from rules.findings import ON_THE_PIECE, CutEnd, Facts, Finish, Form, Magnet, Unit, What
from rules.sheet import load_sheet, sheet_names
from rules.vocabulary import FACT_NAMES, SHARE_OF_FINISH, VOCABULARY, Kind


def test_everything_that_is_found_has_a_word() -> None:
    by_share = {What.COATING: "coated_share", What.TIN: "tinned_share", What.GREEN: "green_share"}
    for what in What:
        kind = Kind.NUMBER if what in by_share else Kind.FLAG
        assert VOCABULARY[by_share.get(what, str(what))].kind is kind
    for finish in Finish:
        assert VOCABULARY[SHARE_OF_FINISH[finish]].unit is Unit.ONE
    for name in ("diameter", "strand_diameter"):
        assert VOCABULARY[name].unit is Unit.MILLIMETRE


@pytest.mark.parametrize(
    ("name", "values"), [("form", Form), ("magnet", Magnet), ("cut_end", CutEnd)]
)
def test_a_category_names_all_that_it_can_be(name: str, values: type) -> None:
    assert VOCABULARY[name].values == tuple(values)  # type: ignore[arg-type]


def test_what_only_the_person_can_say_is_a_fact_of_the_contract() -> None:
    stated = {field.name for field in fields(Facts)}
    assert set(FACT_NAMES) <= stated
    # The others are seen as well (insulation), or no rule asks for them.
    assert stated - set(FACT_NAMES) == {"insulation", "weight_kg", "source"}
    for name in FACT_NAMES:
        term = VOCABULARY[name]
        assert term.unstated is False or term.unstated in term.values


@pytest.mark.parametrize("term", VOCABULARY.values(), ids=lambda term: term.name)
def test_each_word_says_how_to_settle_it(term: object) -> None:
    settle = term.settle  # type: ignore[attr-defined]
    blanks = {name for _, name, _, _ in string.Formatter().parse(settle) if name}
    assert settle and blanks <= {"limit", "what"}
    assert (Kind.NUMBER is term.kind) == (term.unit is not None)  # type: ignore[attr-defined]
    assert 0 < term.minutes <= 1  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", sheet_names())
def test_a_sheet_asks_for_nothing_else(name: str) -> None:
    sheet = load_sheet(name)
    for row in sheet.rows:
        for condition in row.conditions:
            term = VOCABULARY[condition.finding]
            assert condition.unit is term.unit
            assert not isinstance(condition.threshold, float) or condition.threshold <= term.high


def test_shares_are_told_of_what_lies_on_the_piece_alone() -> None:
    assert set(What) - set(ON_THE_PIECE) == {What.OTHER_METAL, What.NOT_METAL}
