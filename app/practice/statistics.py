"""How well does a helper agree with the truth, where not, and is it getting better?

Pure arithmetic on pairs of grades; knows no card and no database.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

K95 = 1.959964  # half width of a normal 95 % interval in standard deviations


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """A share of answers with its 95 % interval (Wilson 1927, the score interval)."""

    right: int
    count: int
    value: float
    low95: float
    high95: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Kappa:
    """Agreement beyond what guessing with the same habits would give (Cohen 1960).

    Attributes:
        value: 1 is full agreement, 0 what chance gives, below 0 worse than chance.
        low95: Lower end of the 95 % interval.
        high95: Upper end.
        se: Large-sample standard error (Fleiss, Cohen and Everitt 1969).
        expected: Share that would agree by chance.
        count: Number of answers.
    """

    value: float
    low95: float
    high95: float
    se: float
    expected: float
    count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Confusion:
    """How often each true grade was answered as each grade.

    Attributes:
        grades: In the order of rows (truth) and columns (answer).
        counts: ``counts[truth][answer]``.
    """

    grades: tuple[str, ...]
    counts: tuple[tuple[int, ...], ...]

    @property
    def mixed_up_most(self) -> tuple[str, str, int] | None:
        """The two grades taken for each other most often, and how often; None if none were."""
        table = np.array(self.counts)
        both = np.triu(table + table.T, k=1)
        if not both.any():
            return None
        i, j = np.unravel_index(int(np.argmax(both)), both.shape)
        return self.grades[int(i)], self.grades[int(j)], int(both[i, j])


def share_of(right: int, count: int) -> Share | None:
    """Return the share that is right with its interval; None without answers."""
    if count == 0:
        return None
    p, k = right / count, K95**2 / count
    middle = (p + k / 2) / (1 + k)
    half = sqrt(p * (1 - p) * k + k * k / 4) / (1 + k)
    return Share(
        right=right,
        count=count,
        value=p,
        low95=max(0.0, middle - half),
        high95=min(1.0, middle + half),
    )


def confusion(pairs: Sequence[tuple[str, str]], grades: Sequence[str]) -> Confusion:
    """Return the table of ``(truth, answer)`` pairs; grades it lacks are put at the end."""
    seen = {grade for pair in pairs for grade in pair}
    known = (*grades, *sorted(seen - set(grades)))
    counted = Counter(pairs)
    return Confusion(
        grades=known,
        counts=tuple(tuple(counted[truth, answer] for answer in known) for truth in known),
    )


def cohen_kappa(counts: Sequence[Sequence[int]]) -> Kappa | None:
    """Return Cohen's kappa of a square table with its 95 % interval.

    The standard error is that for kappa other than 0: Fleiss, Cohen and Everitt 1969,
    Psychological Bulletin 72, 323. Where every answer is right it would be 0, which
    nobody should believe after a few cards: the lower end then comes from the exact
    binomial bound on the share that is right (Clopper and Pearson 1934).

    Returns:
        None without answers, and where truth and answers are all one grade: nothing
        was to be told apart.
    """
    table = np.asarray(counts, dtype=np.float64)
    count = int(table.sum())
    if count == 0:
        return None
    p = table / count
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    observed, expected = float(np.trace(p)), float(rows @ columns)
    if 1 - expected < 1e-12:
        return None
    kappa = (observed - expected) / (1 - expected)
    diagonal = np.diag(p)
    a = float((diagonal * (1 - (rows + columns) * (1 - kappa)) ** 2).sum())
    # The weight of a cell off the diagonal is its column's row share plus its row's column share.
    weights = (columns[:, None] + rows[None, :]) ** 2
    b = (1 - kappa) ** 2 * float((p * weights).sum() - (diagonal * np.diag(weights)).sum())
    c = (kappa - expected * (1 - kappa)) ** 2
    se = sqrt(max(0.0, a + b - c) / count) / (1 - expected)
    low, high = kappa - K95 * se, kappa + K95 * se
    if observed > 1 - 1e-12:
        least = 0.025 ** (1 / count)
        low = (least - expected) / (1 - expected)
    return Kappa(
        value=kappa,
        low95=max(-1.0, low),
        high95=min(1.0, high),
        se=se,
        expected=expected,
        count=count,
    )


def trend(right: Sequence[bool], *, window: int = 20) -> tuple[Share, ...]:
    """Return the share that is right in each run of ``window`` answers, oldest first.

    The last run is the latest ``window`` answers; what is left over is at the start.
    """
    runs = []
    for end in range(len(right), 0, -window):
        part = right[max(0, end - window) : end]
        share = share_of(sum(part), len(part))
        if share is not None:
            runs.append(share)
    return tuple(reversed(runs))
