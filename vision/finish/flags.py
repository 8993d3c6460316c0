"""Is there brass or solder on the piece, and where?

Colour alone can't say: an even film of 60 to 65 nm on pure copper has the colour of red
brass, and one of 35 to 40 nm that of tin (:mod:`vision.finish.film`). The surface network
sees how the colour lies as well. Its map says where parts may be, and how likely each is
follows from how sure it is at its surest, and from how large the part is.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

import cv2
import numpy as np

from rules.findings import Flag
from vision.types import Float32Array, Mask

FROM_P = 0.3
"""A pixel belongs to a suspected part from this probability on."""

MOST_PARTS = 4
"""The largest; what is smaller than four others never made a flag on rendered photos."""

LEAST_WIDTHS2 = 0.02
"""A part counts as at least so many squares of the piece's width: a pixel or two."""

WINDOW_WIDTHS = 0.7
"""The network's map is averaged over so much of the piece's width."""

SURE = 4.5
"""No part is told surer than these log-odds (p 0.989)."""

LEAST_P = 1e-4
"""Probabilities count as at least this and at most its complement in log-odds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagWeights:
    """Log-odds that a part is what the network suspects, from what speaks for it.

    Attributes:
        bias: Log-odds to begin with.
        network: Times the log-odds of the network's highest smoothed probability.
        size: Times the logarithm of its area in squares of the piece's width.
    """

    bias: float = 0.0
    network: float = 1.0
    size: float = 0.0


BRASS = FlagWeights(bias=-0.071, network=1.305, size=0.331)
SOLDER = FlagWeights(bias=0.486, network=1.103)
"""Ridge fits on 348 pieces of 206 rendered photos that the network was not trained on,
2026-11-27. A fourth weight, that of the pixels' colour (0.17 for brass, 0 for solder), went
with what judged colours without a network."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One suspected part: where on the working copy, its share of the piece, how likely."""

    mask: Mask
    share: float
    p: float


def find_parts(
    suspected: Float32Array, mask: Mask, *, width_px: float, weights: FlagWeights
) -> tuple[Flag, tuple[Part, ...]]:
    """Return how likely there is brass (or solder) on the piece, and its parts.

    Args:
        suspected: ``(h, w)`` the network's probability of it on the working copy.
        mask: ``(h, w)`` the piece.
        width_px: Narrow width of the piece, working pixels.
        weights: Which of the two.
    """
    if not mask.any():
        return Flag(p=0.0), ()
    smooth = _smoothed(suspected, mask, width_px)
    area = int(mask.sum())
    parts = []
    for own in _components((smooth > FROM_P) & mask):
        cells = int(own.sum())
        peak = float(smooth[own].max())
        p = part_probability(peak, widths2=cells / width_px**2, weights=weights)
        parts.append(Part(mask=own, share=cells / area, p=p))
    if not parts:
        # The likeliest spot alone, so that "nothing there" has evidence of its own.
        peak = float(smooth[mask].max())
        return Flag(p=part_probability(peak, widths2=0.0, weights=weights)), ()
    # Parts of one piece share their doubt about the light, so they don't multiply.
    surest = max(parts, key=lambda part: part.p)
    share = sum(part.share for part in parts if part.p >= 0.5) or surest.share
    return Flag(p=surest.p, share=min(share, 1.0)), tuple(parts)


def part_probability(peak: float, *, widths2: float, weights: FlagWeights) -> float:
    """Return how likely a part that the network suspects is what it is suspected to be.

    Args:
        peak: The network's probability, smoothed, where it is highest.
        widths2: The part's area in squares of the piece's width.
        weights: Of brass or of solder.

    >>> round(part_probability(0.9, widths2=1.0, weights=FlagWeights()), 3)
    0.9
    """
    peak = min(max(peak, LEAST_P), 1 - LEAST_P)
    odds = (
        weights.bias
        + weights.network * log(peak / (1 - peak))
        + weights.size * log(max(widths2, LEAST_WIDTHS2))
    )
    return 1 / (1 + exp(-min(max(odds, -SURE), SURE)))


def _smoothed(plane: Float32Array, mask: Mask, width_px: float) -> Float32Array:
    """Return a plane averaged over about the piece's width, inside the piece only."""
    side = max(3, round(WINDOW_WIDTHS * width_px)) | 1
    inside = mask.astype(np.float32)
    covered = np.maximum(cv2.blur(inside, (side, side)), np.float32(0.05))
    return np.asarray(cv2.blur(plane * inside, (side, side)) / covered, dtype=np.float32)


def _components(mask: Mask) -> list[Mask]:
    """Return the connected parts of a mask, the largest first."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        mask.astype(np.uint8), connectivity=8
    )
    order = np.argsort(-stats[1:count, cv2.CC_STAT_AREA])[:MOST_PARTS] + 1
    return [np.asarray(labels == i) for i in order]
