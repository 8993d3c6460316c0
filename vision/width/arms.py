"""Does thinner tube stick out of the ends of a short, thick piece?

An elbow or a coupling is cut off with as little tube as the saw left. The line along the
middle ends about half a width before the piece does, and the edges are first looked for
without the line's last width: of short arms nothing is left, and the fitting is
measured. So the line is drawn on straight to the piece's ends, and what stands there is
compared with the rest.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pieces.centreline import CentreLine, resampled, unit_tangents
from vision.types import FloatArray, Region

Flags = NDArray[np.bool_]

SHORT_WIDTHS = 8.0
"""Longer pieces, in their own widths, show their arms to the look along the line: without a
width at each end three quarters of the line are left."""

REACH_WIDTHS = 0.8
"""So much of each end is looked at: most of what the look along the line leaves out."""

RIM_WIDTHS = 0.12
"""Left out at the very end, where the cut is seen from the side: the limbs of 14 rendered
tubes in fittings were right from here on."""

STEADY_WIDTHS = 0.75
"""The line is straight but for so much of its ends: the thinned middle of a square end runs
to a corner, half a diagonal, 0.71 widths."""

STRAIGHT_WIDTHS = 0.75
"""From there on so much of it tells the direction of the end; further in an elbow bends. From
half to all of a width for either changed the diameters of two rendered pieces by 0.5 %."""

MOST_UNSTEADY = 0.4
"""Of a very short piece so much of the line is left out at most."""

END_STRETCHES = 8
"""Each a tenth of a width: three of them are the shortest arm that is believed."""

LEAST_STRETCHES = 3
"""So many in a row at either end. One end alone is not believed: two of 38 short rendered
pieces looked thinner for half a width at one end, where verdigris or a shadow hid a rim."""

OUTLINE_WIDTHS = 0.3
"""So much of each end must be narrow in the outline ..."""

OUTLINE_SHARE = 0.95
"""... as the least fitting's arms are, or the ends are not looked at: outlines of two rendered
pieces with short arms were narrower by 12 to 19 %, of 36 others three by more than this at
both ends. To look takes half as long as the look along the line."""

THINNER_LOG = (0.05, 0.32)
"""A tube is thinner than its fitting by this: by a gap and two walls of 0.9 mm on 28 mm, by
the same of 0.8 mm on 6 mm (EN 1254-1, EN 1057, both from memory)."""


def end_lines(line: CentreLine, region: Region, *, width_px: float) -> list[CentreLine]:
    """Return the line's two ends, each from the piece's end inwards, one point a pixel.

    Args:
        line: Along the middle of the piece, all of it.
        region: The piece; its mask tells where it ends.
        width_px: How wide the piece is.
    """
    backwards = CentreLine(
        points_px=line.points_px[::-1],
        tangents=-line.tangents[::-1],
        radius_px=line.radius_px,
        radii_px=line.radii_px[::-1],
        step_px=line.step_px,
    )
    ends = (_end_line(way, region, width_px) for way in (line, backwards))
    return [end for end in ends if end is not None]


def _end_line(line: CentreLine, region: Region, width_px: float) -> CentreLine | None:
    """Return the line's beginning, drawn on straight to where the piece begins."""
    count = len(line.points_px)
    steady = round(min(STEADY_WIDTHS * width_px / line.step_px, MOST_UNSTEADY * count))
    straight = round(min(STRAIGHT_WIDTHS * width_px / line.step_px, MOST_UNSTEADY * count / 2))
    if min(steady, straight) < 1:
        return None
    kept = line.points_px[steady:]
    outwards = kept[0] - kept[straight]
    outwards /= max(float(np.linalg.norm(outwards)), 1e-12)
    beyond = _way_inside(region, kept[0], outwards, most_px=2 * width_px)
    path = np.vstack([kept[0] + beyond * outwards, kept])
    points, _ = resampled(path, np.zeros(len(path)), 1.0)
    first, last = round(RIM_WIDTHS * width_px), round((RIM_WIDTHS + REACH_WIDTHS) * width_px)
    points = points[first : last + 1]
    if len(points) < last - first:
        return None
    return _line_through(points, width_px / 2)


def _line_through(points: FloatArray, radius_px: float) -> CentreLine:
    tangents = unit_tangents(points)
    return CentreLine(
        points_px=points,
        tangents=tangents,
        radius_px=radius_px,
        radii_px=np.full(len(points), radius_px),
        step_px=1.0,
    )


def _way_inside(
    region: Region, start: FloatArray, direction: FloatArray, *, most_px: float
) -> float:
    """Return how far from here the piece goes on, px; its mask may have holes."""
    steps = np.arange(0.0, most_px, 0.5)
    corner = np.asarray(region.box_px[:2])
    x, y = np.rint(start + steps[:, None] * direction - corner).astype(int).T
    height, width = region.mask.shape
    inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    inside[inside] = region.mask[y[inside], x[inside]] > 0
    return float(steps[inside].max()) if inside.any() else 0.0


def looks_thinner(ends: Sequence[CentreLine], region: Region, *, width_px: float) -> bool:
    """Return whether the piece's outline is narrower at both its ends.

    Args:
        ends: As :func:`end_lines` returns them.
        region: The piece.
        width_px: How wide it is elsewhere.
    """
    widths = [_outline_px(end, region, width_px) for end in ends]
    return len(widths) == 2 and max(widths) < OUTLINE_SHARE * width_px


def _outline_px(end: CentreLine, region: Region, width_px: float) -> float:
    """Return how wide the mask is at the outermost part of an end."""
    outer = max(1, round(OUTLINE_WIDTHS * width_px))
    seen, offsets = _across(end, region, width_px, slice(0, outer, 1 + outer // 16))
    return float(np.median(seen.sum(axis=1))) * float(offsets[1] - offsets[0])


def _across(
    line: CentreLine, region: Region, width_px: float, some: slice
) -> tuple[Flags, FloatArray]:
    """Return whether the mask is there, ``(n, m)`` along and across, and the ``(m,)`` offsets."""
    offsets = width_px / 200 * np.arange(-150.0, 151.0)
    across = offsets[None, :, None] * line.normals[some, None]
    at = (line.points_px[some, None] + across - region.box_px[:2]).astype(np.float32)
    mask = np.ascontiguousarray(region.mask).view(np.uint8)
    seen = cv2.remap(mask, at[..., 0], at[..., 1], cv2.INTER_NEAREST)
    return np.asarray(seen > 0, dtype=bool), offsets


def arms_of(
    ends_mm: Sequence[FloatArray], *, body_mm: float, tolerance_rel: float
) -> tuple[Flags, ...] | None:
    """Return which stretches are tube; None where not both ends are thinner, and alike.

    Args:
        ends_mm: Diameters of each end's stretches, from the outermost inwards.
        body_mm: Diameter of the rest.
        tolerance_rel: How far stretches of one diameter lie apart.
    """
    arms = [_arm(end, body_mm, tolerance_rel) for end in ends_mm]
    if len(arms) != 2 or not all(arm.any() for arm in arms):
        return None
    one, other = (float(np.median(end[arm])) for end, arm in zip(ends_mm, arms, strict=True))
    return tuple(arms) if abs(np.log(one / other)) < tolerance_rel else None


def _arm(end_mm: FloatArray, body_mm: float, tolerance_rel: float) -> Flags:
    """Return the steady thinner stretches that one end begins with, if they are enough."""
    thinner = np.log(body_mm / np.maximum(end_mm, 1e-9))
    tube = (thinner > THINNER_LOG[0]) & (thinner < THINNER_LOG[1])
    # The outermost may show the cut.
    runs = (_run_from(first, thinner, tube, tolerance_rel) for first in (0, 1))
    arm = max(runs, key=np.count_nonzero)
    return arm if arm.sum() >= LEAST_STRETCHES else np.zeros(len(tube), bool)


def _run_from(first: int, thinner: FloatArray, tube: Flags, tolerance_rel: float) -> Flags:
    """Return the stretches from here on that are like the first few."""
    start = float(np.median(thinner[first : first + LEAST_STRETCHES]))
    like = tube[first:] & (np.abs(thinner[first:] - start) < tolerance_rel)
    run = np.zeros(len(tube), bool)
    run[first : first + int(np.argmin(np.append(like, False)))] = True
    return run
