"""Draw shares that add up to 1 and keep the value and the uncertainty of each.

A share that is known to within a little is nearly normal; one of which nothing is
known but its mean is all or nothing. A generalised Dirichlet distribution (Connor and
Mosimann 1969) holds both: one share after the other takes a part of what the others
left, and the part is Beta distributed. Means come out exactly, standard deviations too
for all shares but the largest, whose own follows from the others.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# A share under this is none at all.
_NONE = 1e-9
# The parts' Beta distribution has a + b between these: all or nothing, and certain.
_LEAST_SUM, _MOST_SUM = 1e-3, 1e9


def draw_shares(
    values: Sequence[float], u: Sequence[float], *, rng: np.random.Generator, draws: int
) -> Array:
    """Return ``(len(values), draws)`` shares, each at least 0, adding up to 1.

    Args:
        values: Best estimates, the means of the draws; they are divided by their sum.
        u: Standard uncertainties. One too large for a share of that mean counts as
            all or nothing; the largest share's is not used.
        rng: Where the random numbers come from.
        draws: How many to draw.
    """
    mean = np.asarray(values, dtype=np.float64)
    mean = mean / mean.sum()
    last = int(mean.argmax())
    # The best known first: what it leaves is then least uncertain for the next.
    spread = [u[i] ** 2 / max(mean[i] * (1 - mean[i]), _NONE) for i in range(mean.size)]
    order = sorted((i for i in range(mean.size) if i != last), key=lambda i: spread[i])

    shares = np.zeros((mean.size, draws))
    left = np.ones(draws)
    left_mean, left_square = 1.0, 1.0  # moments of what is left: E[left], E[left²]
    for i in order:
        if mean[i] < _NONE:
            continue
        part = mean[i] / left_mean
        part_square = (u[i] ** 2 + mean[i] ** 2) / left_square
        total = _beta_sum(part, part_square - part**2)
        taken = rng.beta(part * total, (1 - part) * total, draws)
        shares[i] = left * taken
        left = left * (1 - taken)
        variance = part * (1 - part) / (total + 1)
        left_square *= (1 - part) ** 2 + variance
        left_mean -= mean[i]
    shares[last] = left
    return shares


def draw_part(mean: float, u: float, *, rng: np.random.Generator, draws: int) -> Array:
    """Return Beta distributed parts of a whole with this mean and standard uncertainty.

    A doubt too large for such a mean counts as all or nothing.
    """
    if not _NONE < mean < 1 - _NONE or u <= 0:
        return np.full(draws, mean)
    total = _beta_sum(mean, u**2)
    return rng.beta(mean * total, (1 - mean) * total, draws)


def _beta_sum(mean: float, variance: float) -> float:
    """Return ``a + b`` of the Beta distribution of a mean and a variance."""
    widest = mean * (1 - mean)
    if variance <= widest / (_MOST_SUM + 1):
        return _MOST_SUM
    return float(max(widest / variance - 1, _LEAST_SUM))
