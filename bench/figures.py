"""Figures that several benches tell, each with its interval."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

DRAWS = 1000
"""Resamples of a bootstrap: enough for the two digits that are told (Efron and Tibshirani 1993)."""


def calibration_error(said: ArrayLike, right: ArrayLike, *, bins: int = 15) -> float:
    """Return the expected calibration error over bins that hold equally many answers.

    Args:
        said: ``(n,)`` probability of each answer.
        right: ``(n,)`` whether it was right.
        bins: How many; fewer where there are fewer answers.

    Returns:
        The mean gap between what was said and what was right; NaN without answers.

    >>> calibration_error([1.0, 1.0, 0.5, 0.5], [True, False, True, False], bins=2)
    0.25
    """
    told, hits = np.asarray(said, float), np.asarray(right, float)
    if not len(told):
        return float("nan")
    parts = np.array_split(np.argsort(told, kind="stable"), min(bins, len(told)))
    gaps = [len(part) * abs(told[part].mean() - hits[part].mean()) for part in parts]
    return float(sum(gaps) / len(told))


def bootstrap(values: ArrayLike, statistic: Callable[..., Any]) -> tuple[float, float]:
    """Return the 95 % percentile interval of a statistic of ``(n,)`` values (B. Efron 1979)."""
    rng, given = np.random.default_rng(1), np.asarray(values)
    draws = [statistic(rng.choice(given, len(given))) for _ in range(DRAWS)]
    return float(np.quantile(draws, 0.025)), float(np.quantile(draws, 0.975))
