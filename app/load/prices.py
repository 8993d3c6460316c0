"""What does a buyer pay for a grade, since when, and is that still good?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from app.load.units import (
    EXACT,
    MOST_KG,
    MOST_MONEY,
    LoadError,
    MassUnit,
    bounded,
    line_amount,
    minor_digits,
)

STALE_AFTER_DAYS = 14
"""Copper moves a few percent a fortnight: common practice, no source. A person may set it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Price:
    """One line of a buyer's price list.

    Attributes:
        buyer: Name of the buyer.
        grade: Grade id of the rule sheet, or ``brass`` or ``insulated``.
        amount: Money for one unit of mass.
        per: The unit of mass.
        currency: ISO 4217 code.
        day: From this day on.
        from_kg: The least mass of this grade in one sale for which it holds; 0 for any.
    """

    buyer: str
    grade: str
    amount: Decimal
    per: MassUnit
    currency: str
    day: date
    from_kg: Decimal = Decimal(0)

    def __post_init__(self) -> None:
        minor_digits(self.currency)
        if not self.grade.strip():
            raise LoadError("a price needs a grade", where=self.buyer)
        bounded(self.amount, what=f"price of {self.grade}", high=MOST_MONEY)
        bounded(self.from_kg, what=f"least weight of {self.grade}", high=MOST_KG)

    @property
    def per_kg(self) -> Decimal:
        """Money for one kilogram, unrounded."""
        return EXACT.divide(self.amount, self.per.kg)

    def pays(self, kg: Decimal) -> Decimal:
        """Return what a mass brings, rounded to the minor unit: a line of a ticket."""
        return line_amount(kg, price=self.amount, per=self.per, currency=self.currency)

    def age_days(self, today: date) -> int:
        """Return how many days old the price is."""
        return (today - self.day).days

    def is_stale(self, today: date) -> bool:
        """Whether the price is too old to count on."""
        return self.age_days(today) > STALE_AFTER_DAYS


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceBook:
    """All prices that were ever written down, of all buyers."""

    prices: tuple[Price, ...] = ()

    def current(self, buyer: str, *, on: date) -> tuple[Price, ...]:
        """Return the latest prices on a day: per grade, and per least weight, one."""
        latest: dict[tuple[str, Decimal], Price] = {}
        for price in self.prices:
            if price.buyer != buyer or price.day > on:
                continue
            key = (price.grade, price.from_kg)
            # Of two of the same day the later one in the book corrects the earlier.
            if key not in latest or price.day >= latest[key].day:
                latest[key] = price
        return tuple(latest[key] for key in sorted(latest))

    def history(self, buyer: str, grade: str) -> tuple[Price, ...]:
        """Return every price of a grade at a buyer, oldest first: for a plot."""
        kept = (p for p in self.prices if p.buyer == buyer and p.grade == grade)
        return tuple(sorted(kept, key=lambda p: p.day))


def price_for(current: Sequence[Price], grade: str, *, kg: Decimal) -> Price | None:
    """Return the price of a grade among a buyer's current ones, for a mass of that grade."""
    fitting = [p for p in current if p.grade == grade and p.from_kg <= kg]
    return max(fitting, key=lambda p: p.from_kg, default=None)
