"""Where exactly are the edges of a wide piece?

A profile of a whole look is 192 samples over three widths: coarser than a pixel from 64 px on.
So wide pieces get one more look at a window about each edge that was found, at about half a
pixel a sample. The network is built as that of whole looks and learned beside it
(``models/recipe/edges/near.py``); half of the profile shows the left edge, half the right one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.types import FloatArray
from vision.width.edge_net import (
    SAMPLES,
    Network,
    edge_scores,
    local_mean,
    log_probabilities,
    spreads,
)
from vision.width.network import shipped
from vision.width.profiles import Strip

HALF = SAMPLES // 2
"""Samples about each edge."""

REACH_PX, REACH_WIDTHS = 25.0, (0.1, 0.25)
"""A window reaches so many px to both sides of an edge, within these shares of the width; as
trained."""

NEAR_FROM_PX = 50.0
"""Thinner pieces show no more from close by."""

FOUND_DOUBT = (0.01, 1.5)
"""How far an edge that the whole look found may be off: a share of the width and some px."""

INNER = 0.9
"""An edge found before must lie within this share of its window, or is left as it was."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NearEdges:
    """What was found from close by.

    Attributes:
        found_px: ``(n, 2)`` offsets of both edges.
        spreads_px: ``(n, 2)`` how widely the network spreads its answer.
        told: ``(n,)`` whether both windows held what was found before; else both are that.
    """

    found_px: FloatArray
    spreads_px: FloatArray
    told: NDArray[np.bool_]


def near_offsets(width_px: float) -> FloatArray:
    """Return the offsets, px, at which a profile must be sampled for this expected width."""
    reach = float(np.clip(REACH_PX / width_px, *REACH_WIDTHS)) * width_px
    about = np.linspace(-reach, reach, HALF)
    return np.concatenate([about - width_px / 2, about + width_px / 2])


def near_edges(
    strip: Strip,
    before_px: FloatArray,
    *,
    width_px: float,
    together: int | None = None,
    network: Network | None = None,
) -> NearEdges:
    """Return both edges of each profile.

    Args:
        strip: Profiles of one piece, sampled at :func:`near_offsets` of the same width.
        before_px: ``(n, 2)`` offsets of the edges that a whole look found.
        width_px: The expected width.
        together: About so many neighbouring profiles tell each other; None for all.
        network: None for the one that ships.
    """
    said = edge_scores(
        strip, width_px=width_px, together=together, network=network or shipped().near_edges
    )
    doubt = FOUND_DOUBT[0] * width_px + FOUND_DOUBT[1]
    found, spread, within = [], [], []
    for k in (0, 1):
        own = slice(k * HALF, (k + 1) * HALF)
        at = strip.offsets_px[own]
        away = (at[None, :] - before_px[:, k : k + 1]) / doubt
        scores = said[:, own, k] - 1.5 * np.log1p(away**2 / 2)
        p = np.exp(log_probabilities(scores[..., None])[..., 0])
        found.append(local_mean(p, at))
        spread.append(spreads(p, at))
        within.append(np.abs(before_px[:, k] - at.mean()) < INNER * np.ptp(at) / 2)
    told = np.asarray(within[0] & within[1])
    return NearEdges(
        found_px=np.where(told[:, None], np.stack(found, axis=1), before_px),
        spreads_px=np.stack(spread, axis=1),
        told=told,
    )
