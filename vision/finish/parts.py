"""Where on the piece does it lie? The parts that the surface network's map shows of a thing.

Whether a thing is there at all the head for the piece tells (:mod:`vision.finish.piece_head`);
the map tells where.
"""

from __future__ import annotations

import cv2
import numpy as np

from vision.types import Boxes, Float32Array, Region, Surface, SurfaceMap

FROM_P = 0.3
"""A cell belongs to a part from this probability on, averaged over it and its neighbours."""

OWN_SHARE = 0.5
"""Cells that the piece covers less than this show the table too."""

MOST_PARTS = 4
"""The largest; what is smaller than four others is no place to point at."""


def parts_px(surface: SurfaceMap, region: Region, weights: Float32Array, what: Surface) -> Boxes:
    """Return boxes ``(x, y, w, h)`` in the photo of the parts that show something.

    The largest first.

    Args:
        surface: The network's map over the piece.
        region: The piece.
        weights: ``(h, w)`` how much of each cell it covers, 0 to 1.
        what: Which surface.
    """
    own = weights >= min(OWN_SHARE, float(weights.max()))
    p = _smoothed(surface.p[list(Surface).index(what)], weights)
    found = ((p > FROM_P) & own & (weights > 0)).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(found, connectivity=8)
    order = np.argsort(-stats[1:count, cv2.CC_STAT_AREA])[:MOST_PARTS] + 1
    return tuple(_on_photo(surface, region, *(int(v) for v in stats[k][:4])) for k in order)


def _smoothed(plane: Float32Array, weights: Float32Array) -> Float32Array:
    """Return a plane averaged over each cell and its neighbours, as far as they are the piece."""
    covered = np.maximum(cv2.blur(weights, (3, 3)), np.float32(0.05))
    return np.asarray(cv2.blur(plane * weights, (3, 3)) / covered, dtype=np.float32)


def _on_photo(
    surface: SurfaceMap, region: Region, column: int, row: int, columns: int, rows: int
) -> tuple[int, int, int, int]:
    """Return a box of cells in photo pixels, as far as it lies in the piece's own box."""
    high, wide = surface.tarnish_level.shape
    across, down = surface.box_px[2] / wide, surface.box_px[3] / high
    x, y, w, h = region.box_px
    left = max(int(surface.box_px[0] + across * column), x)
    top = max(int(surface.box_px[1] + down * row), y)
    right = min(int(np.ceil(surface.box_px[0] + across * (column + columns))), x + w)
    bottom = min(int(np.ceil(surface.box_px[1] + down * (row + rows))), y + h)
    return left, top, right - left, bottom - top
