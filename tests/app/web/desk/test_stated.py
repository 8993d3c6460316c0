"""What is said on the page means something to the rules, and what is not said stays open."""

from __future__ import annotations

import pytest

from app.request import FORMS as KNOWN_FORMS
from app.web.desk.stated import (
    CUT_ENDS,
    FORMS,
    MAGNETS,
    NO,
    QUESTIONS,
    REFERENCES,
    YES,
    Stated,
    coins,
    count_said,
    reference_key,
    request_of,
)
from rules.findings import CutEnd, Facts, Magnet
from vision.reference.references import parse_reference


def test_every_word_on_the_page_means_something_to_the_rules() -> None:
    assert {form for form in FORMS.values() if form is not None} == set(KNOWN_FORMS)
    assert {m for m in MAGNETS.values() if m is not None} == set(Magnet)
    assert {c for c in CUT_ENDS.values() if c is not None} == set(CutEnd)
    assert set(QUESTIONS) <= set(Facts.__dataclass_fields__)


@pytest.mark.parametrize("word", list(REFERENCES))
def test_every_reference_has_a_key_that_the_eye_knows(word: str) -> None:
    key = reference_key(Stated(reference=word, coin="eu-1", marker_mm=40.0))
    assert parse_reference(key).kind in ("auto", "card", "sheet", "coin", "marker")


def test_only_coins_that_can_serve_are_offered() -> None:
    from vision.reference.coin.kinds import coin

    assert len(coins()) >= 20
    for key in coins().values():
        coin(key)  # raises for one that can't serve


def test_what_is_said_reaches_the_request_and_what_is_not_said_stays_open() -> None:
    stated = Stated(
        form="Tube",
        magnet="It does not",
        yes_no=(("oil", YES), ("paint", NO), ("enamel", "Not said")),
    )
    request = request_of(stated)
    assert request.form == "tube"
    assert request.facts == Facts(magnet=Magnet.FREE, oil=True, paint=False)
    assert count_said(stated) == 4
    assert count_said(Stated()) == 0
    assert request_of(Stated()).facts == Facts()


def test_the_measured_bar_counts_for_the_printed_sheet_alone() -> None:
    sheet = next(word for word, kind in REFERENCES.items() if kind == "sheet")
    assert request_of(Stated(reference=sheet, bar_mm=49.5)).print_scale == pytest.approx(0.99)
    assert request_of(Stated(bar_mm=49.5)).print_scale == 1.0
    assert request_of(Stated(reference=sheet)).print_scale == 1.0


def test_where_it_is_from_is_a_fact_and_no_word_of_it_is_lost() -> None:
    from app.web.desk.stated import SOURCES
    from rules.findings import Source

    assert set(SOURCES.values()) == {None, *Source}
    said = Stated(source=next(word for word, s in SOURCES.items() if s is Source.PLUMBING))
    assert request_of(said).facts.source is Source.PLUMBING
    assert request_of(Stated()).facts.source is None
