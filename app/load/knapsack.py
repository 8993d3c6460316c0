"""Which jobs fit into an evening and bring the most? At most one of each group.

The multiple-choice knapsack, exact, by dynamic programming over whole time steps
(Kellerer, Pferschy, Pisinger: Knapsack Problems, 2004, chapter 11; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from app.load.units import LoadError

MOST_STEPS = 20_000
"""Longest plan in steps: 33 hours in steps of a tenth of a minute."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One thing that may be done: how many steps it takes and what it is worth."""

    steps: int
    worth: float


def best_choices(groups: Sequence[Sequence[Choice]], *, steps: int) -> tuple[int | None, ...]:
    """Return for each group the index of the choice to take, or None.

    The sum of the worths is the largest that fits into ``steps``; a choice that is worth
    nothing is never taken. Of equally good answers the one that takes fewer steps wins.

    Raises:
        LoadError: More steps than 20,000, or a choice that takes less than none.
    """
    if not 0 <= steps <= MOST_STEPS:
        raise LoadError(f"must be 0 to {MOST_STEPS} steps, not {steps}", where="time limit")
    if any(choice.steps < 0 for group in groups for choice in group):
        raise LoadError("a job can't take less than no time", where="minutes")
    # best[s]: the most that fits into s steps. Per group and s: which choice was taken.
    best = np.zeros(steps + 1)
    taken = np.full((len(groups), steps + 1), -1, dtype=np.int32)
    for number, group in enumerate(groups):
        before = best.copy()
        for index, choice in enumerate(group):
            if choice.worth <= 0 or choice.steps > steps:
                continue
            reached = before[: steps + 1 - choice.steps] + choice.worth
            better = reached > best[choice.steps :]
            best[choice.steps :][better] = reached[better]
            taken[number, choice.steps :][better] = index
    # The fewest steps that reach the best worth.
    at = int(np.argmax(best >= best[-1]))
    chosen: list[int | None] = [None] * len(groups)
    for number in range(len(groups) - 1, -1, -1):
        index = int(taken[number, at])
        if index >= 0:
            chosen[number] = index
            at -= groups[number][index].steps
    return tuple(chosen)
