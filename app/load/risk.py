"""How likely is a bin paid as less than it says, and which pieces should come out first?

A buyer overlooks some wrong pieces; with one more the whole bin is paid as the lowest
grade in it. The pieces' grades are taken as independent, so the number of wrong ones is
Poisson-binomial; it is counted exactly, by dynamic programming over the pieces.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.load.units import LoadError

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Valued = Callable[[Flags], Array]

EXACT_UP_TO = 12
"""So many doubtful pieces are tried in every combination: 4096 of them."""

DOUBTFUL_P = 1e-6
"""Pieces less likely wrong than this never pay to be pulled."""

MOST_SWAPS = 60

MOST_ORDERED = 40
"""So many pulled pieces are put in the order of what each brings next; more by their doubt."""

LEAST_GAIN = 1e-6
"""Money below which one set is no better than another."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskPiece:
    """One piece of a bin as the risk sees it.

    Attributes:
        id: Which piece.
        p: Probability of each rank, 0 the best paid grade, adding up to 1.
        kg: Its mass.
        apart: What it brings if it is pulled and sold with what it then belongs to.
    """

    id: str
    p: tuple[float, ...]
    kg: float
    apart: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BinRisk:
    """What may happen to a bin at one buyer.

    Attributes:
        p_grade: Probability that the bin is paid as each rank; never better than its label.
        p_downgrade: Probability that it is paid as less than its label.
        expected: Expected pay, unrounded.
        p_wrong: Chance of each number of wrong pieces up to one more than are overlooked;
            the last stands for that many or more.
    """

    p_grade: tuple[float, ...]
    p_downgrade: float
    expected: float
    p_wrong: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pull:
    """One piece, and what pulling it does, those before it being out already.

    Attributes:
        id: Which piece.
        gain: Change of what bin and pulled pieces together bring.
        p_downgrade: The bin's chance of a downgrade once it is out.
    """

    id: str
    gain: float
    p_downgrade: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PullPlan:
    """Which pieces to take out, the first first.

    Attributes:
        pulls: In order; empty where nothing should come out.
        before: The bin's risk as it is.
        after: The bin's risk with all of them out.
        gain: What bin and pulled pieces then bring more than the bin as it is.
        alone: For each piece: what pulling it alone, and no other, would change.
        is_exact: Whether every combination was tried; otherwise a good one was searched.
    """

    pulls: tuple[Pull, ...]
    before: BinRisk
    after: BinRisk
    gain: float
    alone: Mapping[str, float]
    is_exact: bool


def wrong_count(p_wrong: Iterable[float], *, most: int) -> Array:
    """Return the chances of 0, 1, ... ``most`` wrong pieces, and of more, ``(most + 2,)``.

    The Poisson-binomial distribution by its recurrence, cut off behind ``most``.
    """
    chances = np.zeros(most + 2)
    chances[0] = 1.0
    for p in p_wrong:
        moved = chances * p
        chances = chances - moved
        chances[1:] += moved[:-1]
        chances[-1] += moved[-1]  # more stays more
    return chances


def bin_risk(
    pieces: Sequence[RiskPiece], *, label: int, per_kg: Sequence[float], forgiven: int
) -> BinRisk:
    """Return what may happen to a bin.

    Args:
        pieces: What lies in it.
        label: Rank of the grade it is sold as.
        per_kg: Pay for a kilogram of each rank, best first.
        forgiven: So many wrong pieces are overlooked.
    """
    p, kg = _stacked(pieces, ranks=len(per_kg))
    _check(label=label, ranks=len(per_kg), forgiven=forgiven)
    everything = np.ones((1, len(pieces)), dtype=bool)
    chances = _paid_p(p, everything, label=label, forgiven=forgiven)[0]
    inside = float(kg.sum())
    return BinRisk(
        p_grade=tuple(float(c) for c in chances),
        p_downgrade=float(max(0.0, 1 - chances[label])),
        expected=inside * float(chances @ np.asarray(per_kg, dtype=np.float64)),
        p_wrong=tuple(map(float, wrong_count(p[:, label + 1 :].sum(axis=1), most=forgiven))),
    )


def plan_pulls(
    pieces: Sequence[RiskPiece], *, label: int, per_kg: Sequence[float], forgiven: int
) -> PullPlan:
    """Return which pieces to pull so that bin and pulled pieces bring the most.

    Up to 12 doubtful pieces every combination is tried. With more, pieces are pulled one
    by one in several orders, through stretches that lose (two wrong pieces in a bin:
    pulling one alone helps nothing), the best stretch is kept, and single swaps are tried
    until none helps.
    """
    _check(label=label, ranks=len(per_kg), forgiven=forgiven)
    p, kg = _stacked(pieces, ranks=len(per_kg))
    apart = np.array([piece.apart for piece in pieces], dtype=np.float64)

    def values(kept: Flags) -> Array:
        """What bin and pulled pieces bring, for ``(sets, pieces)`` of which piece stays."""
        chances = _paid_p(p, kept, label=label, forgiven=forgiven)
        paid: Array = (kept @ kg) * (chances @ np.asarray(per_kg)) + ~kept @ apart
        return paid

    everything = np.ones(len(pieces), dtype=bool)
    start = float(values(everything[None])[0])
    # What may cost the bin its label, and what is too good for it.
    doubtful = [
        i
        for i in range(len(pieces))
        if p[i, label + 1 :].sum() > DOUBTFUL_P or apart[i] > kg[i] * per_kg[label] + LEAST_GAIN
    ]
    each = values(_each_without(everything, range(len(pieces)))) - start
    is_exact = len(doubtful) <= EXACT_UP_TO
    p_wrong = p[:, label + 1 :].sum(axis=1)
    if is_exact:
        kept = _best_of_all(everything, doubtful, values)
    else:
        # Pulled by the chance of being wrong, by that chance a kilogram, by what they bring apart.
        scores = (p_wrong, p_wrong / np.maximum(kg, 1e-9), apart - kg * per_kg[label])
        orders = [
            [i for i in np.argsort(-score, kind="stable") if i in doubtful] for score in scores
        ]
        kept = _searched(everything, orders, values)
    order = _pull_order(everything, [int(i) for i in np.flatnonzero(~kept)], p_wrong, values)
    steps = _one_by_one(everything, order)
    reached = values(steps)
    holds = _paid_p(p, steps, label=label, forgiven=forgiven)[:, label]
    pulls = [
        Pull(
            id=pieces[piece].id,
            gain=float(reached[number] - reached[number - 1]),
            p_downgrade=float(max(0.0, 1 - holds[number])),
        )
        for number, piece in enumerate(order, start=1)
    ]
    so_far = float(reached[-1])
    inside = [piece for piece, stays in zip(pieces, kept, strict=True) if stays]
    return PullPlan(
        pulls=tuple(pulls),
        before=bin_risk(pieces, label=label, per_kg=per_kg, forgiven=forgiven),
        after=bin_risk(inside, label=label, per_kg=per_kg, forgiven=forgiven),
        gain=so_far - start,
        alone={piece.id: float(gain) for piece, gain in zip(pieces, each, strict=True)},
        is_exact=is_exact,
    )


def grades_paid(ranks: NDArray[np.intp], *, label: int, forgiven: int) -> NDArray[np.intp]:
    """Return the rank a bin is paid as, for ``(draws, pieces)`` drawn ranks.

    The buyer's rule itself: what the exact chances are checked against.
    """
    if ranks.shape[1] == 0:
        return np.full(len(ranks), label, dtype=np.intp)
    wrong = (ranks > label).sum(axis=1)
    lowest = np.maximum(ranks.max(axis=1), label)
    return np.where(wrong > forgiven, lowest, label).astype(np.intp)


def _paid_p(p: Array, kept: Flags, *, label: int, forgiven: int) -> Array:
    """Return the chance of each rank being paid, ``(sets, ranks)``, for sets of pieces.

    For each rank: the chance that none is worse, and that none is worse while few enough
    are wrong (a Poisson-binomial count in which worse pieces drop out).
    """
    sets, ranks = len(kept), p.shape[1]
    right = p[:, : label + 1].sum(axis=1)
    chances = np.zeros((sets, ranks))
    few = few_enough(right, p[:, label + 1 :].sum(axis=1), kept, forgiven=forgiven)
    chances[:, label] = few
    up_to = few
    for rank in range(label + 1, ranks):
        wrong = p[:, label + 1 : rank + 1].sum(axis=1)
        none_worse = np.where(kept, right + wrong, 1.0).prod(axis=1)
        few_none_worse = few_enough(right, wrong, kept, forgiven=forgiven)
        # Paid as this rank or better: few enough wrong, or none in it is worse.
        reached = few + none_worse - few_none_worse if rank < ranks - 1 else np.ones(sets)
        chances[:, rank] = np.maximum(0.0, reached - up_to)
        up_to = reached
    return chances


def few_enough(right: Array, wrong: Array, kept: Flags, *, forgiven: int) -> Array:
    """Return the chance of at most ``forgiven`` wrong pieces, for ``(sets, pieces)``.

    ``right + wrong`` may stay under 1: what is left has dropped out and counts nowhere.
    """
    counted = np.zeros((len(kept), forgiven + 1))
    counted[:, 0] = 1.0
    for piece in range(kept.shape[1]):
        inside = kept[:, piece, None]
        moved = counted * (wrong[piece] * inside)
        counted = counted * np.where(inside, right[piece], 1.0)
        counted[:, 1:] += moved[:, :-1]
    total: Array = counted.sum(axis=1)
    return total


def _best_of_all(everything: Flags, doubtful: Sequence[int], values: Valued) -> Flags:
    """Return the best of all combinations; of equals the one that pulls least."""
    numbers = np.arange(2 ** len(doubtful))
    kept = np.repeat(everything[None], len(numbers), axis=0)
    for bit, piece in enumerate(doubtful):
        kept[:, piece] = numbers >> bit & 1 == 0
    worth = values(kept) - LEAST_GAIN * (~kept).sum(axis=1)
    best: Flags = kept[int(np.argmax(worth))]
    return best


def _searched(everything: Flags, orders: Sequence[Sequence[int]], values: Valued) -> Flags:
    """Return a good set of pieces to keep: the best stretch of several orders, then swaps."""
    tried = np.concatenate([_one_by_one(everything, order) for order in orders])
    worth = values(tried)
    chosen = int(np.argmax(worth))
    best: Flags = tried[chosen]
    best_value = float(worth[chosen])
    doubtful = list(orders[0])
    for _ in range(MOST_SWAPS):
        tried = np.repeat(best[None], len(doubtful), axis=0)
        tried[np.arange(len(doubtful)), doubtful] ^= True
        worth = values(tried)
        chosen = int(np.argmax(worth))
        if worth[chosen] <= best_value + LEAST_GAIN:
            break
        best, best_value = tried[chosen], float(worth[chosen])
    return best


def _one_by_one(kept: Flags, order: Sequence[int]) -> Flags:
    """Return one set for each pull of an order, and the first with nothing pulled."""
    tried = np.repeat(kept[None], len(order) + 1, axis=0)
    for number, piece in enumerate(order, start=1):
        tried[number:, piece] = False
    return tried


def _pull_order(kept: Flags, out: list[int], p_wrong: Array, values: Valued) -> list[int]:
    """Return pulled pieces in the order that brings most at each step."""
    if len(out) > MOST_ORDERED:
        return sorted(out, key=lambda i: -float(p_wrong[i]))
    order = []
    while out:
        tried = _each_without(kept, out)
        best = int(np.argmax(values(tried)))
        kept = tried[best]
        order.append(out.pop(best))
    return order


def _each_without(kept: Flags, pieces: Sequence[int]) -> Flags:
    """Return one set for each piece: ``kept`` with it pulled."""
    tried = np.repeat(kept[None], len(pieces), axis=0)
    tried[np.arange(len(pieces)), list(pieces)] = False
    return tried


def _stacked(pieces: Sequence[RiskPiece], *, ranks: int) -> tuple[Array, Array]:
    for piece in pieces:
        if len(piece.p) != ranks:
            raise LoadError(f"{len(piece.p)} probabilities for {ranks} grades", where=piece.id)
    p = np.array([piece.p for piece in pieces], dtype=np.float64).reshape(len(pieces), ranks)
    # Probabilities are good to 1 %; here they must add up.
    if len(pieces):
        p = p / p.sum(axis=1, keepdims=True)
    return p, np.array([piece.kg for piece in pieces], dtype=np.float64)


def _check(*, label: int, ranks: int, forgiven: int) -> None:
    if not 0 <= label < ranks:
        raise LoadError(f"rank {label} of {ranks} grades", where="label")
    if forgiven < 0:
        raise LoadError(f"can't overlook {forgiven} pieces", where="forgiven")
