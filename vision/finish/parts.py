"""Where on the piece does it lie? The parts that the surface network's map shows of a thing.

Whether a thing is there at all the head for the piece tells (:mod:`vision.finish.piece_head`);
the map tells where.
"""

from __future__ import annotations

import cv2
import numpy as np

from vision.types import Float32Array, Mask

FROM_P = 0.3
"""A pixel belongs to a part from this probability on."""

MOST_PARTS = 4
"""The largest; what is smaller than four others is no place to point at."""

WINDOW_WIDTHS = 0.7
"""The network's map is averaged over so much of the piece's width."""


def parts_of(plane: Float32Array, mask: Mask, *, width_px: float) -> list[Mask]:
    """Return the parts of a piece that show something, the largest first.

    Args:
        plane: ``(h, w)`` the network's probability of it on the working copy.
        mask: ``(h, w)`` the piece.
        width_px: Narrow width of the piece, working pixels.
    """
    if not mask.any():
        return []
    return _components((_smoothed(plane, mask, width_px) > FROM_P) & mask)


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
