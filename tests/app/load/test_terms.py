"""One buyer on one day: whose word counts, and what a kilogram brings, by hand."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from app.load.bins import Bin
from app.load.prices import Price, PriceBook
from app.load.terms import BRASS, INSULATED, grade_titles, one_currency, terms_of, title_of
from app.load.units import LoadError, MassUnit
from tests.app.load.loads import DAY, PRICES, buyer, kg, piece, terms

A = terms(buyer(), PRICES)


def test_grades_stand_best_first_and_other_lines_behind() -> None:
    assert A.grades == ("bare_bright", "no1", "no2", "set_aside", INSULATED, BRASS)
    assert list(grade_titles()) == list(A.grades)
    assert all(A.title_of(grade) == title_of(grade) for grade in A.grades)
    assert title_of("no such grade") == "no such grade"


def test_chances_stand_in_that_order() -> None:
    in_bin = Bin(name="A", grade="no1", pieces=(piece("a", "1", no2=0.3, no1=0.7),))
    assert A.chances(in_bin, in_bin.pieces[0]) == (0, 0.7, 0.3, 0, 0, 0)


def test_another_line_is_taken_at_its_bins_word() -> None:
    jackets = Bin(name="J", grade=INSULATED, pieces=(piece("a", "1", no1=1.0),))
    assert A.chances(jackets, jackets.pieces[0]) == (0, 0, 0, 0, 1, 0)


def test_a_lot_of_grades_that_nobody_here_knows_is_taken_at_its_bins_word() -> None:
    lot = piece("a", "1", candy=1.0)
    assert A.p_of(lot) == {}
    assert A.chances(Bin(name="A", grade="no2", pieces=(lot,)), lot) == (0, 0, 1, 0, 0, 0)


def test_a_bin_of_another_sheets_grade_goes_as_what_most_of_its_mass_is() -> None:
    light = [piece(f"l{i}", "0.1", no1=1.0) for i in range(5)]
    heavy = piece("h", "2", no2=0.9, no1=0.1)
    assert A.label_of(Bin(name="x", grade="candy", pieces=(*light, heavy))) == "no2"
    assert A.label_of(Bin(name="x", grade="candy", weighed=kg("5"))) == "set_aside"
    assert A.label_of(Bin(name="x", grade="no1", pieces=(heavy,))) == "no1"


def test_a_kilogram_after_the_deduction() -> None:
    # 2 % kept back of 8.00 a kilogram leaves 7.84; 10 % of 3.50 a pound 3.15 x 2.20462... a kg.
    kept = terms(buyer(deduction=Decimal("0.02")), PRICES)
    assert kept.per_kg("no1", Decimal(1)) == Decimal("7.84")
    pounds = terms(buyer(deduction=Decimal("0.1")), {"no1": "3.50"}, per=MassUnit.LB)
    price = pounds.per_kg("no1", Decimal(1))
    # 1 lb is 0.45359237 kg exactly (NIST SP 811, appendix B.8).
    assert float(price or 0) == pytest.approx(3.15 / 0.45359237, rel=1e-12)
    assert A.per_kg(BRASS, Decimal(1)) is None
    assert set(A.loose_per_kg) == set(PRICES)


def test_a_price_that_steps_with_the_weight_counts_from_its_weight_on() -> None:
    steps = terms(buyer(), [("no1", "8.00", "0"), ("no1", "8.50", "100")])
    assert steps.per_kg("no1", Decimal("99.999")) == Decimal("8.00")
    assert steps.per_kg("no1", Decimal(100)) == Decimal("8.50")


def test_prices_in_another_currency_are_no_terms() -> None:
    price = Price(
        buyer="A", grade="no1", amount=Decimal(8), per=MassUnit.KG, currency="EUR", day=DAY,
        from_kg=Decimal(0),
    )  # fmt: skip
    with pytest.raises(LoadError, match="EUR"):
        terms_of(buyer(), PriceBook(prices=(price,)), on=DAY)
    # The day before it was written down it is no price yet.
    assert terms_of(buyer(), PriceBook(prices=(price,)), on=date(2026, 3, 19)).prices == ()


def test_buyers_are_compared_in_one_currency() -> None:
    assert one_currency([A, terms(buyer("B"), PRICES)]) == "USD"
    with pytest.raises(LoadError, match="EUR and USD"):
        one_currency([A, terms(buyer("B", currency="EUR"), PRICES)])
    with pytest.raises(LoadError, match="no buyer"):
        one_currency([])
