"""How high may a piece lie on others, and what does that do to its width?

What lies on others is nearer to the lens than the table and looks thicker: at 250 mm a piece
20 mm up by 9 % (similar triangles). One photo does not tell which of two that touch lies on
top; so each of them may lie as high as what it touches is thick, and its width is as unsure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot

import cv2
import numpy as np
from numpy.typing import NDArray

from rules.findings import Measurement
from vision.types import FloatArray, Region, Scale
from vision.width.piece import Widths

WORK_LONG_SIDE_PX = 1024
"""Who touches whom is looked for on a copy this long: 4 px of a phone's photo are one of it."""

REACH_PX = 2
"""Pieces this near to each other on it touch."""

MOST_MM = 45.0
"""A handful on a table is hardly higher; chosen."""

TOLD_REL = 0.02
"""A note says so where the width may be wrong by more than this."""


def heights_mm(regions: Sequence[Region], scale: Scale, *, size_px: tuple[int, int]) -> FloatArray:
    """Return how high each piece may lie on those it touches, directly or through others.

    Args:
        regions: The pieces.
        scale: Pixels to mm.
        size_px: Width and height of the photo.
    """
    factor = max(1.0, max(size_px) / WORK_LONG_SIDE_PX)
    canvas = np.zeros((round(size_px[1] / factor) + 1, round(size_px[0] / factor) + 1), np.int32)
    thick = np.zeros(len(regions))
    for number, region in enumerate(regions, start=1):
        x, y, w, h = (round(v / factor) for v in region.box_px)
        small = cv2.resize(
            region.mask.astype(np.uint8), (max(w, 1), max(h, 1)), interpolation=cv2.INTER_NEAREST
        )
        own = canvas[y : y + small.shape[0], x : x + small.shape[1]]
        own[small[: own.shape[0], : own.shape[1]] > 0] = number
        inside = cv2.distanceTransform(np.pad(small, 1), cv2.DIST_L2, 3)
        thick[number - 1] = 2 * float(inside.max()) * factor * scale.mm_per_px
    group = _groups(canvas, len(regions))
    together = np.bincount(group, weights=thick, minlength=len(regions))[group]
    return np.asarray(np.minimum(together - thick, MOST_MM), dtype=np.float64)


def _groups(canvas: NDArray[np.int32], count: int) -> NDArray[np.int64]:
    """Return for each piece a number that those which touch have in common."""
    group = np.arange(count)
    window = np.ones((2 * REACH_PX + 1, 2 * REACH_PX + 1), np.uint8)
    for number in range(1, count + 1):
        near = cv2.dilate((canvas == number).astype(np.uint8), window) > 0
        for other in np.unique(canvas[near]):
            if other > 0:
                group[group == group[other - 1]] = group[number - 1]
    return group


def on_pile(widths: Widths, height_mm: float, scale: Scale) -> Widths:
    """Return widths that hold for any height up to this over the table.

    Args:
        widths: As on the table.
        height_mm: Taken as the far end of a 95 % interval.
        scale: Holds the camera's height.
    """
    rel = height_mm / scale.camera_mm[2]
    if height_mm <= 0 or (widths.diameter is None and widths.strand_diameter is None):
        return widths
    note = f"it touches others: if it lies on them it is up to {100 * rel:.0f} % thinner"
    return replace(
        widths,
        diameter=_wider(widths.diameter, rel),
        strand_diameter=_wider(widths.strand_diameter, rel),
        notes=(*widths.notes, note) if rel > TOLD_REL else widths.notes,
    )


def _wider(size: Measurement | None, rel: float) -> Measurement | None:
    if size is None:
        return None
    more = size.value * rel
    return replace(
        size,
        u=hypot(size.u, more / 2),
        low95=max(0.0, size.value - hypot(size.value - size.low95, more)),
        high95=size.value + hypot(size.high95 - size.value, more),
        budget={**size.budget, "pile": more / 2},
    )
