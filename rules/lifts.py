"""What would lift this piece a grade? Each lift is graded again before it is told."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from rules.draws import Column, Draws
from rules.evaluate import Evaluation, holds
from rules.table import Lift, RuleSheet
from rules.vocabulary import VOCABULARY, Kind

# A lift is told if the piece then most likely has the better grade.
MIN_P = 0.5
# More than three jobs on one piece are no lift.
MAX_JOBS = 3
# What is brass almost all over has nothing under it that could rise. An estimate: the
# seen share is good to 0.05 (rules/draws.py).
NOTHING_LEFT_SHARE = 0.9


def lifts_for(
    grade_index: int, *, sheet: RuleSheet, best: Draws, pieces: Draws
) -> tuple[Lift, ...]:
    """Return the lifts that lead to a better grade, each with where it leads.

    A row offers its lift where it holds for ``best``, the best estimates, whether or not an
    earlier row decided. The drawn pieces are graded again without what the lift
    takes off; where one job is not enough, two or three together are tried. A row
    may name a best grade for its lift; the sheet's order of grades says which is
    better. Nothing is cut off a piece that hardly is anything else.
    """
    offered = [
        row.lift
        for row in sheet.rows
        if row.lift is not None
        and all(bool(holds(c, best)[0]) for c in row.conditions)
        and not any(_is_all_of(name, best) for name in row.lift.clears)
    ]
    offered = list(dict.fromkeys(offered))
    told: list[tuple[frozenset[Lift], Lift, int]] = []
    for jobs in range(1, MAX_JOBS + 1):
        for lifts in combinations(offered, jobs):
            chosen = frozenset(lifts)
            to = _reached(lifts, sheet=sheet, pieces=pieces)
            # A smaller set of jobs that leads as far makes the larger one idle.
            if to < min([grade_index, *(t for part, _, t in told if part < chosen)]):
                told.append((chosen, _joined(lifts, sheet.grade_ids[to]), to))
    return tuple(lift for _, lift, _ in sorted(told, key=lambda t: (t[2], t[1].minutes)))


def _is_all_of(name: str, best: Draws) -> bool:
    """Return whether a piece hardly is anything but what a lift would take off it.

    Under a jacket there is copper all the same.
    """
    if name == "insulation":
        return False
    share = best.columns.get(f"{name}_share")
    return share is not None and float(share[0]) >= NOTHING_LEFT_SHARE


def _reached(lifts: tuple[Lift, ...], *, sheet: RuleSheet, pieces: Draws) -> int:
    """Return the index of the grade that most likely comes out, within the lifts' best."""
    for lift in lifts:
        for name in lift.clears:
            pieces = pieces.with_columns(_cleared(name, pieces))
    p = Evaluation(sheet, pieces).grade_p()
    best_allowed = max(sheet.grade_ids.index(lift.to) for lift in lifts)
    at_least = np.cumsum(p)  # grades stand best first: this grade or a better one
    return max(int(np.argmax(at_least >= MIN_P)), best_allowed)


def _cleared(name: str, pieces: Draws) -> dict[str, Column]:
    """Return the columns of pieces from which something was taken off."""
    term, columns = VOCABULARY[name], pieces.columns
    if term.kind is Kind.FLAG:
        changed: dict[str, Column] = {name: np.zeros(1, dtype=bool)}
        if f"{name}_share" in columns:
            changed[f"{name}_share"] = np.zeros(1)
        return changed
    if name.endswith("_share"):
        # What lay under it is bare metal now.
        bare = columns["bright_share"] + columns[name]
        return {name: np.zeros(1), "bright_share": bare}
    return {name: np.zeros(1)}


def _joined(lifts: tuple[Lift, ...], to: str) -> Lift:
    return Lift(
        action="; then ".join(lift.action for lift in lifts),
        to=to,
        minutes=sum(lift.minutes for lift in lifts),
        clears=tuple(dict.fromkeys(name for lift in lifts for name in lift.clears)),
    )
