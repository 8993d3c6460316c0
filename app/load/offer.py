"""What does each buyer pay for this load, and how sure is that?

What is owed if every label holds is exact, in Decimal, line by line. What is to be
expected carries the doubt of the grades (each bin's risk, exact) and of the weights; its
interval comes from draws of both (JCGM 101), the same draws for every buyer, so that the
difference between two buyers is known better than either pay.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from app.load.bins import Bin, Load
from app.load.buyers import Buyer
from app.load.prices import Price, price_for
from app.load.risk import BinRisk, bin_risk, grades_paid
from app.load.stakes import as_risk, kg_of, need_weights
from app.load.terms import Terms, one_currency
from app.load.units import EXACT, MassUnit, limit_words, line_amount, rounded, total

Array = NDArray[np.float64]


DRAWS = 10_000
SEED = 20_260


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One bin on a ticket, if its label holds.

    Attributes:
        bin: Name of the bin.
        grade: Grade at this buyer.
        kg: Net weight, before the deduction.
        paid_kg: Weight that is paid.
        price: Price that holds for this much of the grade; None where they name none.
        amount: Paid weight × price, rounded to the minor unit; 0 without a price.
        estimated: Whether the weight is an estimate.
        risk: What may happen to the bin.
        expected: Expected pay of the bin, rounded to the minor unit.
        pieces: How many pieces are listed in it.
    """

    bin: str
    grade: str
    kg: Decimal
    paid_kg: Decimal
    price: Price | None
    amount: Decimal
    estimated: bool
    risk: BinRisk
    expected: Decimal
    pieces: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """What one buyer is to pay for a load.

    Attributes:
        buyer: The buyer.
        lines: Bin by bin; their amounts add up to ``labelled`` exactly.
        labelled: Pay if every label holds.
        expected: Expected pay, the grades' doubt counted in: the sum of the lines'.
        u: Standard uncertainty of the pay.
        low95: Lower end of the pay's 95 % interval.
        high95: Upper end.
        travel: Cost of the trip.
        net: Expected pay less travel, exact as both are.
        kg: Mass that goes there.
        stale: Prices that are too old to count on.
        unpriced: Grades without a price here.
        refused: Why the buyer would not take it, in words; None where they would.
        draws: The drawn pays, travel not taken off.
    """

    buyer: Buyer
    lines: tuple[Line, ...]
    labelled: Decimal
    expected: Decimal
    u: float
    low95: float
    high95: float
    travel: Decimal
    net: Decimal
    kg: Decimal
    stale: tuple[Price, ...]
    unpriced: tuple[str, ...]
    refused: str | None
    draws: Array


def offer_of(terms: Terms, load: Load, *, draws: int = DRAWS) -> Offer:
    """Return what a buyer is to pay for a load.

    Raises:
        LoadError: A bin has no weight.
    """
    bins = [b for b in load.bins if not b.is_empty]
    need_weights(bins)
    kg_of_label: dict[str, Decimal] = {}
    for b in bins:
        label = terms.label_of(b)
        kg_of_label[label] = EXACT.add(kg_of_label.get(label, Decimal(0)), kg_of(b))
    lines = tuple(_line(terms, b, kg_of_label) for b in bins)
    drawn = np.zeros(draws)
    for b in bins:
        drawn += _drawn_pay(terms, b, kg_of_label, draws=draws)
    kg = total(line.kg for line in lines)
    expected = total(line.expected for line in lines)
    travel = terms.buyer.travel
    low, high = (float(v) for v in np.quantile(drawn, (0.025, 0.975))) if bins else (0.0, 0.0)
    refused = None
    if kg < terms.buyer.least_kg:
        unit = next((price.per for price in terms.prices), MassUnit.KG)
        refused = f"takes no less than {limit_words(terms.buyer.least_kg, unit)}"
    used = {line.grade for line in lines}
    return Offer(
        buyer=terms.buyer,
        lines=lines,
        labelled=total(line.amount for line in lines),
        expected=expected,
        u=float(drawn.std()),
        low95=low,
        high95=high,
        travel=travel,
        net=EXACT.subtract(expected, travel),
        kg=kg,
        stale=tuple(p for p in terms.prices if p.grade in used and p.is_stale(terms.day)),
        unpriced=tuple(dict.fromkeys(line.grade for line in lines if line.price is None)),
        refused=refused,
        draws=drawn,
    )


def compare(terms: Sequence[Terms], load: Load, *, draws: int = DRAWS) -> tuple[Offer, ...]:
    """Return every buyer's offer, the best first; those who would not take it last.

    Raises:
        LoadError: They pay in different currencies: no exchange rate is known here.
    """
    one_currency(terms)
    offers = [offer_of(one, load, draws=draws) for one in terms]
    return tuple(sorted(offers, key=lambda o: (o.refused is not None, -o.net)))


def chance_better(a: Offer, b: Offer) -> float:
    """Return how likely the first buyer leaves more than the second, travel counted in."""
    difference = (a.draws - float(a.travel)) - (b.draws - float(b.travel))
    return float((difference > 0).mean() + 0.5 * (difference == 0).mean())


def _line(terms: Terms, bin_: Bin, kg_of_label: Mapping[str, Decimal]) -> Line:
    label_rank, per_kg, pieces = as_risk(terms, bin_, kg_of_label)
    label = terms.grades[label_rank]
    weight = bin_.weight
    assert weight is not None
    price = price_for(terms.prices, label, kg=kg_of_label[label])
    paid_kg = EXACT.multiply(weight.kg, terms.buyer.kept)
    amount = (
        Decimal(0)
        if price is None
        else line_amount(paid_kg, price=price.amount, per=price.per, currency=price.currency)
    )
    risk = bin_risk(pieces, label=label_rank, per_kg=per_kg, forgiven=terms.buyer.forgiven)
    return Line(
        bin=bin_.name,
        grade=label,
        kg=weight.kg,
        paid_kg=paid_kg,
        price=price,
        amount=amount,
        estimated=weight.is_estimated,
        risk=risk,
        expected=rounded(Decimal(repr(float(risk.expected))), terms.buyer.currency),
        pieces=len(bin_.pieces),
    )


def _drawn_pay(terms: Terms, bin_: Bin, kg_of_label: Mapping[str, Decimal], *, draws: int) -> Array:
    label, per_kg, pieces = as_risk(terms, bin_, kg_of_label)
    weight = bin_.weight
    assert weight is not None
    kg = float(weight.kg) + weight.u_kg * _stream(f"bin {bin_.name}").standard_normal(draws)
    ranks = np.empty((draws, len(pieces)), dtype=np.intp)
    for column, piece in enumerate(pieces):
        # The same number for the same piece at every buyer: a piece that one finds good
        # the other is likely to find good as well.
        u = _stream(f"piece {piece.id}").random(draws)
        edges = np.cumsum(piece.p) / max(sum(piece.p), 1e-12)
        ranks[:, column] = np.minimum(np.searchsorted(edges, u), len(edges) - 1)
    paid = grades_paid(ranks, label=label, forgiven=terms.buyer.forgiven)
    pay: Array = np.maximum(kg, 0.0) * np.asarray(per_kg)[paid]
    return pay


def _stream(name: str) -> np.random.Generator:
    words = np.frombuffer(name.encode().ljust(4 * -(-len(name.encode()) // 4)), dtype=np.uint32)
    return np.random.default_rng([SEED, *map(int, words)])
