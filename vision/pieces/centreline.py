"""Along which line does a long piece run?

The piece's mask is thinned to a line one pixel wide, the longest way along that
line is kept (so a short branch, a fitting's lug or a fray does not lead astray),
smoothed over about its own width and cut into even steps. Thinning is that of
Zhang and Suen, Comm. ACM 27(3), 1984, 236.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.types import FloatArray, Mask, Region

WORK_RADIUS_PX = 6.0
"""Masks are thinned at about this half-width: thinner loses the line, thicker costs time."""

WORK_LONG_SIDE_PX = 800
"""First look at a mask; long thin wire is looked at again, finer."""

FINEST_LONG_SIDE_PX = 2400
"""Never thin anything longer than this; a 10 px wire across 12 megapixels is still 6 px wide."""

LEAST_WORK_RADIUS_PX = 2.0
"""A line thinner than four pixels falls apart where a shadow or a highlight crosses it."""

SMOOTH_RADII = 0.6
"""The line is smoothed by a Gaussian of this many half-widths: steps of the pixel grid
vanish, and a bend of three half-widths moves by 6 % of a half-width."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CentreLine:
    """A line along the middle of a piece, in even steps.

    Attributes:
        points_px: ``(n, 2)`` photo pixels (or the mask's own, where no offset was given).
        tangents: ``(n, 2)`` unit vectors along the line.
        radius_px: Typical half-width of the mask across the line.
        step_px: Distance from point to point.
    """

    points_px: FloatArray
    tangents: FloatArray
    radius_px: float
    step_px: float

    @property
    def normals(self) -> FloatArray:
        """``(n, 2)`` unit vectors to the left of the tangents, as seen with y down."""
        return np.column_stack([self.tangents[:, 1], -self.tangents[:, 0]])

    @property
    def length_px(self) -> float:
        """Length of the line."""
        return self.step_px * max(0, len(self.points_px) - 1)


def centre_line(
    mask: Mask, *, offset_px: tuple[float, float] = (0.0, 0.0), step_px: float | None = None
) -> CentreLine | None:
    """Return the longest line along the middle of a mask; None where there is none.

    Holes and slits narrower than the piece (a highlight that was taken for table)
    are closed first; the eye of a loop stays open.

    Args:
        mask: ``(h, w)`` bool.
        offset_px: Added to the points; the box's corner of a region.
        step_px: Distance between points; by default a quarter of the half-width,
            at least one pixel.

    >>> line = centre_line(np.ones((20, 400), bool))
    >>> f"{line.length_px:.0f} px long, {2 * line.radius_px:.0f} wide"
    '378 px long, 21 wide'
    """
    padded = np.pad(np.asarray(mask, np.uint8), 2)
    small, factor = _reduced(padded)
    solid = _closed(small)
    distance = cv2.distanceTransform(solid, cv2.DIST_L2, 5)
    thin = thinned(solid)
    path = longest_path(thin)
    if len(path) < 3:
        return None
    radius = float(np.median(distance[path[:, 1], path[:, 0]].astype(np.float64)))
    spacing = (step_px or max(1.0, 0.25 * radius * factor)) / factor
    line = even_steps(path.astype(np.float64), SMOOTH_RADII * radius, spacing)
    if line is None:
        return None
    points, tangents = line
    # The distance transform measures to the nearest outside pixel's centre, and loses half
    # a pixel on even widths; the area says the rest, unless a wide fitting swells it.
    length = spacing * (len(points) - 1) + 2 * radius
    radius = float(np.clip(solid.sum() / (2 * length), radius - 0.5, radius + 0.5))
    # Small pixel i covers the large ones from i f to (i + 1) f; 2 undoes the padding.
    points = (points + 0.5) * factor - 0.5 - 2 + np.asarray(offset_px)
    return CentreLine(
        points_px=points,
        tangents=tangents,
        radius_px=radius * factor,
        step_px=spacing * factor,
    )


def axis_line(region: Region) -> CentreLine:
    """Return the long axis of the tightest rectangle around a piece, in steps of a pixel."""
    outline = np.asarray(region.outline_px, np.float32)[:, None]
    (x, y), (length, width), angle_deg = cv2.minAreaRect(outline)
    # The outline runs through the middles of pixels: a speck is a pixel, not nothing.
    length, width = max(length, 1.0), max(width, 1.0)
    if length < width:
        length, width, angle_deg = width, length, angle_deg + 90
    along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    at = np.arange(0.0, length + 1e-9) - length / 2
    return CentreLine(
        points_px=np.array([x, y]) + at[:, None] * along,
        tangents=np.repeat(along[None], len(at), axis=0),
        radius_px=width / 2,
        step_px=1.0,
    )


def _reduced(mask: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], float]:
    """Return the mask at a size fit for thinning and its factor (mask px per px)."""
    small, factor = _at_long_side(mask, WORK_LONG_SIDE_PX)
    radius = _typical_radius(small)
    if radius < LEAST_WORK_RADIUS_PX and factor > 1:
        finer = max(max(mask.shape) / FINEST_LONG_SIDE_PX, 1.0, factor * radius / WORK_RADIUS_PX)
        return _at_long_side(mask, max(mask.shape) / finer)
    if radius > 1.5 * WORK_RADIUS_PX:
        return _at_long_side(mask, max(mask.shape) / (factor * radius / WORK_RADIUS_PX))
    return small, factor


def _at_long_side(mask: NDArray[np.uint8], long_side_px: float) -> tuple[NDArray[np.uint8], float]:
    factor = max(mask.shape) / long_side_px
    if factor <= 1:
        return mask, 1.0
    size = (max(1, round(mask.shape[1] / factor)), max(1, round(mask.shape[0] / factor)))
    # Every second or third pixel is enough where nine and more make one.
    stride = max(1, int(factor / 2.5))
    mask = mask[::stride, ::stride]
    grey = cv2.resize(mask * np.uint8(255), size, interpolation=cv2.INTER_AREA)
    return (grey >= 128).astype(np.uint8), factor


def _typical_radius(mask: NDArray[np.uint8]) -> float:
    """Half-width of a long mask: on a strip the mean distance to the rim is half of it."""
    distance = cv2.distanceTransform(mask, cv2.DIST_L2, 3)
    inside = distance[mask > 0]
    return 2 * float(inside.mean()) if inside.size else 0.0


def _closed(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    radius = _typical_radius(mask)
    size = 2 * max(1, round(0.6 * radius)) + 1
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    pad = size
    closed = cv2.morphologyEx(np.pad(mask, pad), cv2.MORPH_CLOSE, kernel)[pad:-pad, pad:-pad]
    count, labels, stats, _ = cv2.connectedComponentsWithStats(1 - closed, connectivity=4)
    # A hole smaller than the piece is wide can only be a highlight.
    for number in range(1, count):
        x, y, w, h, area = stats[number]
        touches = x == 0 or y == 0 or x + w == mask.shape[1] or y + h == mask.shape[0]
        if not touches and (
            area < (2 * radius) ** 2 or _thin(labels[y : y + h, x : x + w] == number, radius)
        ):
            closed[labels == number] = 1
    count, labels, stats, _ = cv2.connectedComponentsWithStats(closed, connectivity=8)
    if count > 2:
        closed = (labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))).astype(np.uint8)
    closed[[0, -1]] = 0
    closed[:, [0, -1]] = 0
    return np.asarray(closed, dtype=np.uint8)


def _thin(hole: Mask, radius: float) -> bool:
    distance = cv2.distanceTransform(np.pad(hole, 1).astype(np.uint8), cv2.DIST_L2, 3)
    return float(distance.max()) < 0.75 * radius


def neighbours(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Code of the eight neighbours, one bit each, clockwise from the north."""
    kernel = np.array([[128, 1, 2], [64, 0, 4], [32, 16, 8]], np.float32)
    return np.asarray(
        cv2.filter2D(mask, cv2.CV_16S, kernel, borderType=cv2.BORDER_CONSTANT), dtype=np.uint8
    )


def _removable() -> NDArray[np.bool_]:
    """Which neighbourhoods Zhang and Suen let go, in their two turns: ``(2, 256)``."""
    table = np.zeros((2, 256), bool)
    for code in range(256):
        n, ne, e, se, s, sw, w, nw = (bool(code >> bit & 1) for bit in range(8))
        ring = (n, ne, e, se, s, sw, w, nw)
        rises = sum(not ring[i] and ring[(i + 1) % 8] for i in range(8))
        if 2 <= sum(ring) <= 6 and rises == 1:
            table[0, code] = not (n and e and s) and not (e and s and w)
            table[1, code] = not (n and e and w) and not (n and s and w)
    return table


_REMOVABLE = _removable()


def thinned(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return a mask of 0 and 1 thinned to lines one pixel wide; its rim must be 0."""
    thin = mask.copy()
    while True:
        gone = 0
        for turn in (0, 1):
            lut = np.where(_REMOVABLE[turn], 0, 1).astype(np.uint8)
            kept = cv2.bitwise_and(thin, cv2.LUT(neighbours(thin), lut)).astype(np.uint8)
            gone += int(cv2.countNonZero(thin)) - int(cv2.countNonZero(kept))
            thin = kept
        if gone == 0:
            return thin


def longest_path(thin: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Return ``(n, 2)`` pixels (x, y) of the longest shortest way along a thin line."""
    ys, xs = np.nonzero(thin)
    if len(xs) < 3:
        return np.zeros((0, 2), np.int64)
    index = np.full((thin.shape[0] + 2, thin.shape[1] + 2), -1, np.int64)
    index[ys + 1, xs + 1] = np.arange(len(xs))
    shifts = ((0, 1), (1, 0), (0, -1), (-1, 0), (1, 1), (1, -1), (-1, -1), (-1, 1))
    table = np.stack([index[ys + 1 + dy, xs + 1 + dx] for dy, dx in shifts], axis=1)
    beside = [[k for k in row if k >= 0] for row in table.tolist()]
    far, _ = _walk(beside, 0)
    end, before = _walk(beside, far)
    way = [end]
    while before[way[-1]] >= 0:
        way.append(before[way[-1]])
    return np.column_stack([xs[way], ys[way]])


def _walk(neighbours: list[list[int]], start: int) -> tuple[int, list[int]]:
    """Breadth first from one pixel: the last one reached, and who came before whom."""
    before = [-2] * len(neighbours)
    before[start] = -1
    queue = deque([start])
    last = start
    while queue:
        last = queue.popleft()
        for k in neighbours[last]:
            if before[k] == -2:
                before[k] = last
                queue.append(k)
    return last, before


def even_steps(
    path: FloatArray, sigma_px: float, step_px: float
) -> tuple[FloatArray, FloatArray] | None:
    """Smooth a path and cut it into even steps: points and unit tangents."""
    fine = resampled(path, 0.5)
    if len(fine) < 4:
        return None
    smooth = np.column_stack([smoothed(fine[:, k], sigma_px / 0.5) for k in (0, 1)])
    points = resampled(smooth, step_px)
    return (points, unit_tangents(points)) if len(points) >= 3 else None


def resampled(path: FloatArray, step_px: float) -> FloatArray:
    """Return points at even steps along a path."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    at = np.arange(0.0, along[-1] + 1e-9, step_px)
    return np.column_stack([np.interp(at, along, path[:, k]) for k in (0, 1)])


def smoothed(values: FloatArray, sigma: float) -> FloatArray:
    """Gaussian smoothing along a line; the ends are turned about themselves, so that
    a straight line stays what it is to its very end."""
    half = int(min(np.ceil(3 * sigma), len(values) - 1))
    if half < 1:
        return np.asarray(values, dtype=np.float64)
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma) ** 2)
    padded = np.pad(values, half, mode="reflect", reflect_type="odd")
    result: FloatArray = np.convolve(padded, kernel / kernel.sum(), mode="valid")
    return result


def unit_tangents(points: FloatArray) -> FloatArray:
    """Return ``(n, 2)`` unit vectors along a line through ``(n, 2)`` points, n at least 2."""
    along = np.gradient(points, axis=0)
    length = np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-12)
    return np.asarray(along / length, dtype=np.float64)
