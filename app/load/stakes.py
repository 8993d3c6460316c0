"""What is at stake in one bin at one buyer: its weight, prices, risk, and which pieces to pull?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal

from app.load.bins import Bin, masses
from app.load.risk import PullPlan, RiskPiece, plan_pulls
from app.load.terms import Terms
from app.load.units import LoadError


def pulls_for(terms: Terms, bin_: Bin) -> PullPlan:
    """Return which pieces to pull from a bin before it goes to this buyer.

    A pulled piece is counted at what it brings with its own kind: in the bin of the grade
    that it most likely belongs in, below this one.
    """
    label, per_kg, pieces = as_risk(terms, bin_, {terms.label_of(bin_): kg_of(bin_)})
    return plan_pulls(pieces, label=label, per_kg=per_kg, forgiven=terms.buyer.forgiven)


def as_risk(
    terms: Terms, bin_: Bin, kg_of_label: Mapping[str, Decimal]
) -> tuple[int, list[float], list[RiskPiece]]:
    """Return label rank, pay per kg of each rank, and the pieces, for the arithmetic of risk."""
    grades = terms.grades
    label = grades.index(terms.label_of(bin_))
    per_kg = prices_per_kg(terms, kg_of(bin_), kg_of_label)
    if not bin_.pieces:
        # Weighed as a whole, never looked at piece by piece: taken at its word.
        sure = tuple(float(rank == label) for rank in range(len(grades)))
        kg = float(kg_of(bin_))
        return label, per_kg, [RiskPiece(id=bin_.name, p=sure, kg=kg, apart=kg * per_kg[label])]
    weights = masses(bin_)
    pieces = []
    for piece in bin_.pieces:
        chances = terms.chances(bin_, piece)
        kg = float(weights[piece.id].kg)
        pieces.append(
            RiskPiece(
                id=piece.id,
                p=chances,
                kg=kg,
                apart=kg * _apart(chances, label, per_kg, grades=len(terms.sheet.grade_ids)),
            )
        )
    return label, per_kg, pieces


def _apart(chances: Sequence[float], label: int, per_kg: Sequence[float], *, grades: int) -> float:
    """Return the pay for a kilogram of a piece in the bin that it belongs in instead.

    That is the bin of its most likely grade; where that is this bin's own, the most likely
    one below, for the case that it is wrong here. There too it is paid as less if it is.
    What is sold by another line stays there.
    """
    if label >= grades:
        return per_kg[label]
    to = max(range(grades), key=lambda rank: (chances[rank], -rank))
    below = range(label + 1, grades)
    if to == label and below:
        to = max(below, key=lambda rank: (chances[rank], -rank))
    return sum(chances[rank] * per_kg[max(rank, to)] for rank in range(grades))


def prices_per_kg(terms: Terms, kg: Decimal, kg_of_label: Mapping[str, Decimal]) -> list[float]:
    """Return what a kilogram of each of the buyer's grades brings; unpriced ones bring 0."""
    prices = (terms.per_kg(g, kg_of_label.get(g, kg)) for g in terms.grades)
    return [0.0 if price is None else float(price) for price in prices]


def need_weights(bins: Sequence[Bin]) -> None:
    """Name every bin that is still to be weighed at once, with the command that does it."""
    light = [b for b in bins if b.weight is None]
    if len(light) < 2:
        for b in light:
            kg_of(b)
        return
    told = ", ".join(f"{b.name} ({len(b.unweighed)} of {len(b.pieces)} pieces)" for b in light)
    raise LoadError(
        f"{len(light)} bins have pieces without a weight: {told}. Put each bin on the scale "
        f'(load weigh "{light[0].name}" READING)',
        where="load",
    )


def kg_of(bin_: Bin) -> Decimal:
    """Return a bin's net weight in kilograms.

    Raises:
        LoadError: It, or a piece in it, is still to be weighed.
    """
    weight = bin_.weight
    if weight is None:
        missing = bin_.unweighed
        raise LoadError(
            f"{len(missing)} of {len(bin_.pieces)} pieces have no weight "
            f"({missing[0].name or missing[0].id}): put the bin on the scale "
            f'(load weigh "{bin_.name}" READING)',
            where=f"bin {bin_.name}",
        )
    return weight.kg
