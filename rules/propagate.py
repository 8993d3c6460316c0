"""Carry distributions through a formula by Monte Carlo (JCGM 101:2008).

For quantities that are computed from uncertain ones: a weight from a diameter and
a length, a price from a weight.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.errors import ContractError

Array = NDArray[np.float64]
Distribution = Callable[[np.random.Generator, int], Array]

# JCGM 101, 7.2.2 NOTE 1: a million trials give a 95 % interval good to one or two digits.
DEFAULT_TRIALS = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """A quantity that came out of a Monte Carlo run.

    Attributes:
        value: Mean of the trials.
        u: Their standard deviation.
        low: Lower end of the coverage interval.
        high: Upper end of the coverage interval.
        coverage: Probability that the interval holds.
    """

    value: float
    u: float
    low: float
    high: float
    coverage: float


def normal(mean: float, u: float) -> Distribution:
    """Return a normal distribution (JCGM 101, 6.4.7)."""
    return lambda rng, n: rng.normal(mean, u, n)


def rectangular(low: float, high: float) -> Distribution:
    """Return a rectangular distribution (JCGM 101, 6.4.2)."""
    return lambda rng, n: rng.uniform(low, high, n)


def propagate(
    model: Callable[..., Array],
    inputs: Mapping[str, Distribution],
    *,
    trials: int = DEFAULT_TRIALS,
    seed: int = 0,
    coverage: float = 0.95,
    shortest: bool = False,
) -> Output:
    """Return the distribution of ``model(**inputs)``.

    Args:
        model: Takes one array for each input, by name, and returns one array.
        inputs: A distribution for each input; they are drawn independently.
        trials: Number of Monte Carlo trials.
        seed: Same seed, same answer.
        coverage: Probability of the coverage interval.
        shortest: The shortest interval instead of the probabilistically symmetric
            one (JCGM 101, 5.3.3 and 5.3.4).
    """
    if not 0 < coverage < 1:
        raise ContractError(f"must be between 0 and 1, not {coverage}", where="coverage")
    if trials < 2:
        raise ContractError(f"at least 2 are needed, not {trials}", where="trials")
    streams = np.random.SeedSequence(seed).spawn(len(inputs))
    drawn = {
        name: distribution(np.random.default_rng(stream), trials)
        for (name, distribution), stream in zip(inputs.items(), streams, strict=True)
    }
    outcomes = model(**drawn)
    low, high = _interval(outcomes, coverage, shortest=shortest)
    return Output(
        value=float(outcomes.mean()),
        u=float(outcomes.std(ddof=1)),
        low=low,
        high=high,
        coverage=coverage,
    )


def _interval(outcomes: Array, coverage: float, *, shortest: bool) -> tuple[float, float]:
    """JCGM 101, 7.7."""
    ordered = np.sort(outcomes)
    inside = min(round(coverage * ordered.size), ordered.size - 1)
    widths = ordered[inside:] - ordered[: ordered.size - inside]
    first = int(np.argmin(widths)) if shortest else (ordered.size - inside) // 2
    return float(ordered[first]), float(ordered[first + inside])
