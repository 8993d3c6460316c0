"""Invented loads, buyers and prices for the tests of this folder, in few words."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from app.load.bins import Bin, Load, Piece
from app.load.buyers import Buyer, seen_by, sheet_of
from app.load.prices import Price, PriceBook
from app.load.terms import Terms, terms_of
from app.load.units import MassUnit
from app.load.weights import Weight, WeightOrigin, of_normal
from rules.engine import Grading, grade
from rules.findings import Findings

PRICES = {"bare_bright": "9.00", "no1": "8.00", "no2": "6.00", "set_aside": "1.00"}

DAY = date(2026, 3, 20)


def kg(amount: str, u: float = 0.0) -> Weight:
    return of_normal(Decimal(amount), u, WeightOrigin.SCALE, "scale")


def piece(name: str, amount: str | None = None, **p: float) -> Piece:
    """A lot without findings: its chances are as said, whoever buys."""
    weight = None if amount is None else kg(amount)
    return Piece(id=name, name=name, p=p or {"no1": 1.0}, weight=weight)


def buyer(name: str = "A", **said: Any) -> Buyer:
    return Buyer(name=name, currency=said.pop("currency", "USD"), **said)


def terms(
    who: Buyer,
    prices: dict[str, str] | list[tuple[str, str, str]],
    *,
    per: MassUnit = MassUnit.KG,
    day: date = DAY,
) -> Terms:
    """Prices as ``{grade: amount}`` or as ``[(grade, amount, from_kg)]``."""
    rows = [(g, a, "0") for g, a in prices.items()] if isinstance(prices, dict) else prices
    book = PriceBook(
        prices=tuple(
            Price(
                buyer=who.name,
                grade=grade,
                amount=Decimal(amount),
                per=per,
                currency=who.currency,
                day=day,
                from_kg=Decimal(least),
            )
            for grade, amount, least in rows
        )
    )
    return terms_of(who, book, on=DAY)


def load(*bins: Bin) -> Load:
    return Load(name="van", bins=bins)


def graded_by(who: Buyer, findings: Findings) -> Grading:
    return grade(seen_by(who, findings), sheet_of(who))
