"""What does waiting and going once bring, against going now and again later?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from app.load.bins import Load
from app.load.stakes import kg_of
from app.load.terms import Terms
from app.load.units import EXACT, total


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """Waiting so many weeks and going once, against going now and again then.

    Attributes:
        weeks: How long.
        kg: What the load then weighs.
        gain: What waiting brings: pay of the one trip less its cost, less that of both trips.
        fall_share: Fall of all prices, as a share, that would eat the gain; 0 or less where
            waiting brings nothing.
    """

    weeks: int
    kg: Decimal
    gain: float
    fall_share: float


def hold(
    terms: Terms,
    load: Load,
    *,
    kg_a_week: Mapping[str, Decimal],
    weeks: int = 12,
) -> tuple[Hold, ...]:
    """Return what waiting brings, for each number of weeks from 1 on.

    Args:
        terms: The buyer.
        load: What there is now.
        kg_a_week: How much of each grade comes in, as the person reckons.
        weeks: How far to look.

    Both ways sell the same copper, so only three things differ: one trip's cost, the
    price steps and the least weight, and what prices do while it lies there.
    """
    now: dict[str, Decimal] = {}
    for b in load.bins:
        if b.is_empty:
            continue
        label = terms.label_of(b)
        now[label] = EXACT.add(now.get(label, Decimal(0)), kg_of(b))
    rows = []
    for week in range(1, weeks + 1):
        later = {grade: EXACT.multiply(kg, Decimal(week)) for grade, kg in kg_a_week.items()}
        both = {
            grade: EXACT.add(now.get(grade, Decimal(0)), later.get(grade, Decimal(0)))
            for grade in sorted({*now, *later})
        }
        once = _labelled_net(terms, both)
        twice = _labelled_net(terms, now) + _labelled_net(terms, later)
        # Only what lies there now risks the fall; the rest is sold on the later day either way.
        lying = _labelled_pay(terms, now)
        gain = once - twice
        rows.append(
            Hold(
                weeks=week,
                kg=total(both.values()),
                gain=gain,
                fall_share=gain / lying if lying > 0 else 0.0,
            )
        )
    return tuple(rows)


def _labelled_pay(terms: Terms, kg_of: Mapping[str, Decimal]) -> float:
    paid = 0.0
    for grade_id, kg in kg_of.items():
        price = terms.per_kg(grade_id, kg)
        paid += 0.0 if price is None else float(EXACT.multiply(price, kg))
    return paid


def _labelled_net(terms: Terms, kg_of: Mapping[str, Decimal]) -> float:
    """Return pay less travel; a load that is not taken stays home and costs nothing."""
    kg = total(kg_of.values())
    if kg <= 0 or kg < terms.buyer.least_kg:
        return 0.0
    return max(0.0, _labelled_pay(terms, kg_of) - float(terms.buyer.travel))
