"""Who should get which bin, so that most is left after every trip is paid?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from math import inf

import numpy as np
from numpy.typing import NDArray

from app.load.bins import Bin, Load
from app.load.risk import bin_risk
from app.load.stakes import as_risk, kg_of, prices_per_kg
from app.load.terms import Terms, one_currency
from app.load.units import EXACT, LoadError

MOST_SPLIT_BINS = 10
"""So many bins are dealt out among buyers in every way; more would take minutes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """Which bins go to which buyer.

    Attributes:
        bins_of: Names of the bins of each buyer who gets any.
        kept_home: Bins that nobody pays for.
        net: Expected pay of all trips less their cost.
        gain: What it brings over the best single buyer of the whole load.
    """

    bins_of: Mapping[str, tuple[str, ...]]
    kept_home: tuple[str, ...]
    net: float
    gain: float


def split(terms: Sequence[Terms], load: Load) -> Split:
    """Return the best way to deal the bins out among the buyers, every way tried.

    Counts each buyer's travel once, their least weight, and prices that step with the
    weight of a grade.

    Raises:
        LoadError: More than ten bins, or buyers with different currencies.
    """
    one_currency(terms)
    bins = [b for b in load.bins if not b.is_empty]
    if len(bins) > MOST_SPLIT_BINS:
        raise LoadError(
            f"{len(bins)} bins; at most {MOST_SPLIT_BINS} can be dealt out: put bins of one grade "
            "together",
            where=load.name,
        )
    sets = 1 << len(bins)
    worth = [_worth_of_sets(one, bins) for one in terms]
    # best[s]: the most that the buyers so far leave for the bins in s; what is left stays home.
    best = np.zeros(sets)
    given: list[NDArray[np.int64]] = []
    for values in worth:
        reached, chosen = best.copy(), np.zeros(sets, dtype=np.int64)
        for whole in range(sets):
            part = whole
            while part:
                value = best[whole ^ part] + values[part]
                if value > reached[whole] + 1e-9:
                    reached[whole], chosen[whole] = value, part
                part = (part - 1) & whole
        best = reached
        given.append(chosen)
    left, bins_of = sets - 1, {}
    for one, chosen in zip(reversed(terms), reversed(given), strict=True):
        part = int(chosen[left])
        if part:
            bins_of[one.buyer.name] = tuple(b.name for i, b in enumerate(bins) if part >> i & 1)
        left ^= part
    single = max(float(values[-1]) if bins else 0.0 for values in worth)
    return Split(
        bins_of={
            one.buyer.name: bins_of[one.buyer.name] for one in terms if one.buyer.name in bins_of
        },
        kept_home=tuple(b.name for i, b in enumerate(bins) if left >> i & 1),
        net=float(best[-1]),
        # Nobody may take the whole load: then all of it stays home.
        gain=float(best[-1]) - (single if single > -inf else 0.0),
    )


def _worth_of_sets(terms: Terms, bins: Sequence[Bin]) -> NDArray[np.float64]:
    """Return what each set of bins leaves at one buyer, minus infinity where not taken."""
    forgiven = terms.buyer.forgiven
    labels = [terms.label_of(b) for b in bins]
    kg = [kg_of(b) for b in bins]
    chances = []
    for b in bins:
        label, _, pieces = as_risk(terms, b, {})
        ones = [0.0] * len(terms.grades)
        chances.append(bin_risk(pieces, label=label, per_kg=ones, forgiven=forgiven).p_grade)
    values = np.full(1 << len(bins), -inf)
    values[0] = 0.0
    for number in range(1, len(values)):
        inside = [i for i in range(len(bins)) if number >> i & 1]
        if sum((kg[i] for i in inside), Decimal(0)) < terms.buyer.least_kg:
            continue
        of_label: dict[str, Decimal] = {}
        for i in inside:
            of_label[labels[i]] = EXACT.add(of_label.get(labels[i], Decimal(0)), kg[i])
        paid = 0.0
        for i in inside:
            prices = prices_per_kg(terms, kg[i], of_label)
            paid += float(kg[i]) * sum(c * p for c, p in zip(chances[i], prices, strict=True))
        values[number] = paid - float(terms.buyer.travel)
    return values
