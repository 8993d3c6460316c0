"""Figures that several benches and trainings tell, each with its interval."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

DRAWS = 1000
"""Resamples of a bootstrap: enough for the two digits that are told (Efron and Tibshirani 1993)."""

FLOOR_DRAWS = 500
"""How often right and wrong are drawn anew for the floor of an error. Chosen."""


def calibration_error(said: ArrayLike, right: ArrayLike, *, bins: int = 15) -> float:
    """Return the expected calibration error over bins that hold equally many answers.

    Answers of one probability keep their order, and may fall into two bins.

    Args:
        said: ``(n,)`` probability of each answer.
        right: ``(n,)`` whether it was right, or which share of it, 0 to 1.
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


def calibration_floor(said: ArrayLike) -> tuple[float, float, float]:
    """Return what :func:`calibration_error` would be if every answer were as right as it says.

    Few answers a bin make an error where there is none: consistency resampling (Bröcker and
    Smith, 2007, Increasing the reliability of reliability diagrams, Weather and Forecasting 22).

    Args:
        said: ``(n,)`` probability of each answer.

    Returns:
        Mean, and the interval that holds 95 % of the draws; NaN without answers.
    """
    told = np.asarray(said, float)
    if not len(told):
        return (float("nan"),) * 3
    rng = np.random.default_rng(0)
    errors = [calibration_error(told, rng.random(len(told)) < told) for _ in range(FLOOR_DRAWS)]
    low, high = np.quantile(errors, (0.025, 0.975))
    return float(np.mean(errors)), float(low), float(high)


def bootstrap(values: ArrayLike, statistic: Callable[..., Any]) -> tuple[float, float]:
    """Return the 95 % percentile interval of a statistic of ``(n,)`` values (B. Efron 1979)."""
    rng, given = np.random.default_rng(1), np.asarray(values)
    draws = [statistic(rng.choice(given, len(given))) for _ in range(DRAWS)]
    return float(np.quantile(draws, 0.025)), float(np.quantile(draws, 0.975))
