"""The invented load: whole, plausible, and plainly marked as invented."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest

from app.load.buyers import sheet_of
from app.load.demo import (
    BUYERS,
    LOAD,
    QUARRY,
    QUARRY_PRICES_AGE_DAYS,
    WEIR,
    demo_buyers,
    demo_load,
    demo_prices,
)
from app.load.prices import PriceBook
from rules.engine import grade
from rules.sheet import load_sheet

TODAY = date(2026, 3, 20)
KG_PER_LB = Decimal("0.45359237")  # exact, international yard and pound agreement, 1959


def test_every_name_says_that_it_is_a_demo() -> None:
    assert all("(demo)" in name for name in (LOAD, *BUYERS))
    assert {buyer.name for buyer in demo_buyers()} == set(BUYERS)


def test_every_piece_lies_in_a_bin_once_and_has_its_weight() -> None:
    pieces = demo_load().pieces
    assert len({piece.id for piece in pieces}) == len(pieces) > 10
    assert all(piece.weight is not None and piece.weight.kg > 0 for piece in pieces)


def test_the_tub_s_reading_is_net_of_its_tare() -> None:
    # 21.4 lb on the scale less 2.0 lb of tub.
    first = demo_load().bins[0]
    assert first.weighed is not None
    assert first.weighed.kg == Decimal("19.4") * KG_PER_LB


def test_the_chances_of_each_piece_are_the_house_sheet_s() -> None:
    for piece in demo_load().pieces:
        assert piece.findings is not None
        assert piece.p == grade(piece.findings, load_sheet("house")).p


def test_each_yard_buys_every_grade_by_a_sheet_that_holds() -> None:
    book = PriceBook(prices=demo_prices(TODAY))
    for buyer in demo_buyers():
        grades = set(sheet_of(buyer).grade_ids)
        assert grades <= {price.grade for price in book.current(buyer.name, on=TODAY)}


def test_better_copper_pays_more_at_every_yard() -> None:
    # Bare bright over No. 1 over No. 2 (common practice, no source).
    book = PriceBook(prices=demo_prices(TODAY))
    for name in BUYERS:
        first = {price.grade: price.amount for price in reversed(book.current(name, on=TODAY))}
        assert first["bare_bright"] > first["no1"] > first["no2"] > first["set_aside"]


@pytest.mark.parametrize("today", [TODAY, date(2024, 2, 29), date(2030, 1, 1)])
def test_prices_are_as_old_as_meant_whatever_the_day(today: date) -> None:
    prices = demo_prices(today)
    assert max(price.day for price in prices) == today
    quarry = {price.day for price in prices if price.buyer == QUARRY}
    assert quarry == {today - timedelta(days=QUARRY_PRICES_AGE_DAYS)}
    weir = sorted(p.day for p in prices if p.buyer == WEIR and p.grade == "no1")
    assert [(today - day).days for day in weir] == [35, 28, 21, 14, 7, 0]
