"""Price lists: the latest on a day, steps by weight, and what is too old."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest

from app.load.prices import Price, PriceBook, price_for
from app.load.units import LoadError, MassUnit

TODAY = date(2026, 3, 20)


def price(grade: str, amount: str, *, ago: int = 0, from_kg: str = "0", buyer: str = "A") -> Price:
    return Price(
        buyer=buyer,
        grade=grade,
        amount=Decimal(amount),
        per=MassUnit.LB,
        currency="USD",
        day=TODAY - timedelta(days=ago),
        from_kg=Decimal(from_kg),
    )


def test_the_latest_price_on_a_day_holds() -> None:
    book = PriceBook(
        prices=(price("no1", "3.40", ago=9), price("no1", "3.60"), price("no1", "3.50", ago=4))
    )
    days = [TODAY - timedelta(days=n) for n in (0, 1, 5, 10)]
    told = [price_for(book.current("A", on=day), "no1", kg=Decimal(0)) for day in days]
    assert [p and p.amount for p in told] == [
        Decimal("3.60"),
        Decimal("3.50"),
        Decimal("3.40"),
        None,
    ]
    assert [p.amount for p in book.history("A", "no1")] == [
        Decimal("3.40"),
        Decimal("3.50"),
        Decimal("3.60"),
    ]


def test_of_two_prices_of_one_day_the_later_entry_corrects() -> None:
    book = PriceBook(prices=(price("no1", "3.40"), price("no1", "3.45")))
    found = price_for(book.current("A", on=TODAY), "no1", kg=Decimal(0))
    assert found is not None
    assert found.amount == Decimal("3.45")


def test_prices_of_another_buyer_or_grade_are_not_mixed_in() -> None:
    book = PriceBook(prices=(price("no1", "3.40"), price("no1", "9", buyer="B")))
    assert price_for(book.current("A", on=TODAY), "no2", kg=Decimal(0)) is None
    assert [p.amount for p in book.current("A", on=TODAY)] == [Decimal("3.40")]


def test_more_weight_of_a_grade_reaches_the_next_step() -> None:
    current = (price("no1", "3.40"), price("no1", "3.55", from_kg="50"))
    amounts = [price_for(current, "no1", kg=Decimal(kg)) for kg in ("0", "49.9999", "50", "80")]
    assert [p and str(p.amount) for p in amounts] == ["3.40", "3.40", "3.55", "3.55"]


def test_a_price_is_stale_after_a_fortnight_and_not_on_its_last_day() -> None:
    assert not price("no1", "3", ago=14).is_stale(TODAY)
    assert price("no1", "3", ago=15).is_stale(TODAY)


def test_a_pound_price_by_the_kilogram() -> None:
    # 3.40 a pound / 0.45359237 kg = 7.4957168... a kilogram.
    assert float(price("no1", "3.40").per_kg) == pytest.approx(7.4957169, abs=1e-7)


def test_nonsense_is_refused() -> None:
    with pytest.raises(LoadError):
        price("no1", "-1")
    with pytest.raises(LoadError):
        price("no1", "1", from_kg="-5")
