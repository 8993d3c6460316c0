"""Where four straight edges might be the sides of one flat rectangle.

Works on a small copy and only proposes; whoever asks measures each proposal at
full resolution and decides.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from math import atan2, cos, inf, sin

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.types import Float32Array, FloatArray, Image

# The contrast of each place is stretched to this many codes, so that a white card on
# white paper and a black one on bright wood leave edges of like strength.
STRETCHED_CODES = 40.0
FLATTEN_PX = 24.0
NOISE_CODES = 2.0  # local contrast below this is noise and is not stretched further
CHROMA_NOISE_CODES = 3.0
OPPONENTS = np.array([[0.25, 0.5, 0.25], [1.0, -1.0, 0.0], [0.5, 0.5, -1.0]])
MIN_SEGMENT_PX = 14.0
LSD_SCALE = 0.6  # of the plane it is given: half the time of the usual 0.8
# Weakest gradient that the finder follows, codes; its own 2 is for plain photos. On 51
# rendered cards 5 takes a third less time, finds one card more and loses none.
LSD_NOISE_CODES = 5.0
MAX_SEGMENTS = 260
BIN_DEG = 12.0
MAX_SEGMENTS_A_BIN = 45
MAX_LINES_A_BIN = 14
MAX_LINES = 56
MAX_QUADS = 500
SIDE_SAMPLES = 28
STRONG_GRADIENT = 9.0  # codes a pixel in the stretched copy
PARALLEL_DEG = 20.0
SQUARE_DEG = 24.0
STUB_SHARE = 0.16
OUT_OF_VIEW_SHARE = 0.06  # how far beyond the picture a corner may lie


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Quad:
    """Four corners in order, in pixels of the small copy, and how well edges bear them out."""

    corners_px: FloatArray
    score: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lines:
    """Straight lines: unit direction, offset along the left normal, covered interval."""

    direction: FloatArray
    offset: FloatArray
    low: FloatArray
    high: FloatArray

    @property
    def normal(self) -> FloatArray:
        return np.column_stack([-self.direction[:, 1], self.direction[:, 0]])


def find_quads(rgb: Image | Float32Array, *, aspect: float, keep: int = 10) -> list[Quad]:
    """Propose quadrilaterals whose side lengths are roughly as ``aspect`` to 1, best first.

    Args:
        rgb: ``(height, width, 3)``, codes 0 to 255; about 800 px on the long side.
        aspect: Long side over short side of the rectangle that is sought.
        keep: At most so many.
    """
    planes = _stretched(rgb)
    # The finder runs on one core: the lightness, its longest run, has the second one.
    with ThreadPoolExecutor(max_workers=1) as beside:
        in_lightness = beside.submit(_found, planes[0], shrink=1)
        gradients = _gradients(planes)
        # JPEG keeps colour at half the resolution, and looking there costs a quarter.
        in_colour = [_found(plane, shrink=2) for plane in planes[1:]]
        segments = np.concatenate([in_lightness.result(), *in_colour])
    lines = _merge(_segments(segments, gradients))
    corners, coverage = _combine(lines, aspect=aspect, shape=rgb.shape[:2])
    if len(corners) == 0:
        return []
    best = np.argsort(-coverage)[:MAX_QUADS]
    corners = corners[best]
    scores = _edge_scores(gradients, corners)
    return _distinct(corners, scores, keep)


def _stretched(rgb: Image | Float32Array) -> list[Image]:
    """Lightness and two opponent colours, each brought to like local contrast."""
    planes = cv2.split(cv2.transform(rgb.astype(np.float32), OPPONENTS))
    floors = (NOISE_CODES, CHROMA_NOISE_CODES, CHROMA_NOISE_CODES)
    return [_stretch(plane, floor) for plane, floor in zip(planes, floors, strict=True)]


def _stretch(plane: Float32Array, floor: float) -> Image:
    plane = cv2.GaussianBlur(plane, (0, 0), 0.8)
    detail = cv2.subtract(plane, _full_size(_wide_mean(plane), plane))
    spread = cv2.sqrt(_wide_mean(cv2.multiply(detail, detail))) + np.float32(floor)
    stretched = cv2.divide(detail, _full_size(spread, plane), scale=STRETCHED_CODES)
    return np.asarray(cv2.convertScaleAbs(stretched + np.float32(128)), dtype=np.uint8)


def _wide_mean(plane: Float32Array) -> Float32Array:
    """Wide Gaussian, on a quarter-size copy."""
    small = cv2.resize(plane, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    wide: Float32Array = cv2.GaussianBlur(small, (0, 0), FLATTEN_PX / 4)
    return wide


def _full_size(small: Float32Array, plane: Float32Array) -> Float32Array:
    full: Float32Array = cv2.resize(small, plane.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return full


def _found(plane: Image, *, shrink: int) -> FloatArray:
    """``(n, 4)`` line segments of one plane."""
    finder = cv2.createLineSegmentDetector(
        cv2.LSD_REFINE_STD, scale=LSD_SCALE, quant=LSD_NOISE_CODES
    )
    size = (plane.shape[1] // shrink, plane.shape[0] // shrink)
    seen = cv2.resize(plane, size, interpolation=cv2.INTER_AREA) if shrink > 1 else plane
    found = finder.detect(seen)[0]
    if found is None:
        return np.zeros((0, 4))
    ratio = np.array([plane.shape[1] / size[0], plane.shape[0] / size[1]] * 2)
    in_plane: FloatArray = (found.reshape(-1, 4) + 0.5) * ratio - 0.5
    return in_plane


def _segments(
    segments: FloatArray, gradients: list[tuple[Float32Array, Float32Array]]
) -> FloatArray:
    """``(n, 5)`` line segments of all planes and their weight, heaviest first.

    The weight is length times contrast. Wood grain and cloth give many segments of
    one direction: no direction may take more than its share.
    """
    run = segments[:, 2:] - segments[:, :2]
    length = np.hypot(run[:, 0], run[:, 1])
    segments, run = segments[length >= MIN_SEGMENT_PX], run[length >= MIN_SEGMENT_PX]
    length = length[length >= MIN_SEGMENT_PX]
    if len(segments) == 0:
        return np.zeros((0, 5))
    weight = length * _contrast(gradients, segments)
    order = np.argsort(-weight)
    angle = np.degrees(np.arctan2(run[order, 1], run[order, 0]))
    order = order[_fair(angle, MAX_SEGMENTS_A_BIN)][:MAX_SEGMENTS]
    chosen: FloatArray = np.column_stack([segments, weight])[order]
    return chosen


def _contrast(
    gradients: list[tuple[Float32Array, Float32Array]], segments: FloatArray
) -> FloatArray:
    """Mean gradient across each segment, in the plane that shows it best."""
    start, run = segments[:, None, :2], (segments[:, 2:] - segments[:, :2])[:, None]
    at = (start + np.linspace(0.1, 0.9, 7)[:, None] * run).astype(np.float32)
    normal = np.stack([-run[..., 1], run[..., 0]], axis=-1)
    normal = normal / np.maximum(np.hypot(run[..., 0], run[..., 1]), 1e-9)[..., None]
    best = np.zeros(len(segments))
    for dx, dy in gradients:
        gx, gy = (cv2.remap(g, at[..., 0], at[..., 1], cv2.INTER_LINEAR) for g in (dx, dy))
        best = np.maximum(best, np.abs(gx * normal[..., 0] + gy * normal[..., 1]).mean(axis=1))
    return best


def _merge(segments: FloatArray) -> _Lines:
    """Join segments that lie on one line without a long gap; keep the best covered."""
    ends = segments[:, :4].reshape(-1, 2, 2)
    density = segments[:, 4] / np.maximum(np.hypot(*(ends[:, 1] - ends[:, 0]).T), 1e-9)
    run = ends[:, 1] - ends[:, 0]
    length = np.hypot(run[:, 0], run[:, 1])
    unit = run / np.maximum(length, 1e-9)[:, None]
    normal = np.column_stack([-unit[:, 1], unit[:, 0]])
    # row: seed; column: other segment; last axis: its two ends
    points = ends.reshape(-1, 2)
    off = (normal @ points.T).reshape(len(ends), len(ends), 2)
    off -= np.sum(ends[:, 0] * normal, axis=1)[:, None, None]
    along = (unit @ points.T).reshape(len(ends), len(ends), 2)
    near = (np.abs(off).max(axis=2) < 2.0) & (np.abs(normal @ unit.T) < 0.07)
    lows, highs = along.min(axis=2), along.max(axis=2)
    free = np.ones(len(ends), bool)
    rows: list[tuple[float, ...]] = []
    for seed in range(len(ends)):
        if not free[seed]:
            continue
        mates = np.flatnonzero(near[seed] & free)
        mates = mates[_connected(lows[seed, mates], highs[seed, mates], mates == seed)]
        free[mates] = False
        line = _joined(ends[mates], length[mates])
        weight = float(density[mates] @ length[mates]) / float(length[mates].sum())
        rows.append((*line[:5], line[5] * weight))
    table = np.array(rows).reshape(-1, 6)
    table = table[np.argsort(-table[:, 5])]
    table = table[_fair(np.degrees(np.arctan2(table[:, 1], table[:, 0])), MAX_LINES_A_BIN)][
        :MAX_LINES
    ]
    return _Lines(direction=table[:, :2], offset=table[:, 2], low=table[:, 3], high=table[:, 4])


def _fair(angle_deg: FloatArray, most: int) -> NDArray[np.intp]:
    """Indices in order, at most so many of about one direction."""
    bins = (angle_deg % 180 // BIN_DEG).astype(int)
    taken: dict[int, int] = {}
    chosen = []
    for index, number in enumerate(bins):
        taken[number] = taken.get(number, 0) + 1
        if taken[number] <= most:
            chosen.append(index)
    return np.array(chosen, np.intp)


def _joined(ends: FloatArray, length: FloatArray) -> tuple[float, ...]:
    """One line through ``(n, 2, 2)`` ends: direction, offset, interval, covered length."""
    points = ends.reshape(-1, 2)
    weight = np.repeat(length, 2)
    middle = weight @ points / weight.sum()
    x, y = (points - middle).T
    angle = 0.5 * atan2(2 * float(weight @ (x * y)), float(weight @ (x * x) - weight @ (y * y)))
    axis = np.array([cos(angle), sin(angle)])
    reach = np.sort(ends @ axis, axis=1)
    offset = float(middle @ np.array([-axis[1], axis[0]]))
    return (axis[0], axis[1], offset, reach.min(), reach.max(), _covered(reach))


def _connected(lows: FloatArray, highs: FloatArray, chosen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Grow from the chosen over intervals whose gap is short against what is joined already."""
    if len(lows) == 1:
        return chosen
    for _ in range(6):
        low, high = lows[chosen].min(), highs[chosen].max()
        gap = 0.6 * (high - low)
        grown = chosen | ((lows < high + gap) & (highs > low - gap))
        if (grown == chosen).all():
            break
        chosen = grown
    return chosen


def _covered(intervals: FloatArray) -> float:
    """Length of the union of ``(n, 2)`` intervals."""
    total, reached = 0.0, -inf
    for low, high in sorted(intervals.tolist()):
        total += max(0.0, high - max(low, reached))
        reached = max(reached, high)
    return total


def _combine(
    lines: _Lines, *, aspect: float, shape: tuple[int, ...]
) -> tuple[FloatArray, FloatArray]:
    """All quads of two roughly parallel pairs with fitting proportions, and their coverage."""
    count = len(lines.offset)
    first, second = np.triu_indices(count, k=1)
    sine = np.abs(_cross(lines.direction[first], lines.direction[second]))
    parallel = sine < np.sin(np.radians(PARALLEL_DEG))
    first, second = first[parallel], second[parallel]
    if len(first) < 2:
        return np.zeros((0, 4, 2)), np.zeros(0)
    middle = ((lines.low + lines.high) / 2)[:, None] * lines.direction + (
        lines.offset[:, None] * lines.normal
    )
    gap = (
        np.abs(np.sum((middle[second] - middle[first]) * lines.normal[first], axis=1))
        + np.abs(np.sum((middle[second] - middle[first]) * lines.normal[second], axis=1))
    ) / 2
    apart = gap > MIN_SEGMENT_PX
    first, second, gap = first[apart], second[apart], gap[apart]
    # pair A bounds the short way, pair B the long way
    ratio = gap[None, :] / gap[:, None]
    cosine = np.abs(lines.direction[first] @ lines.direction[first].T)
    fits = (ratio > aspect / 1.4) & (ratio < aspect * 1.4)
    fits &= cosine < np.sin(np.radians(SQUARE_DEG + 4))
    a, b = np.nonzero(fits)
    i, j, k, m = first[a], second[a], first[b], second[b]
    corners = np.stack(
        [_meet(lines, i, k), _meet(lines, k, j), _meet(lines, j, m), _meet(lines, m, i)], axis=1
    )
    sides = np.hypot(*np.moveaxis(np.roll(corners, -1, axis=1) - corners, -1, 0))
    height, width = shape[:2]
    margin = OUT_OF_VIEW_SHARE * max(shape[:2])
    inside = (
        (corners > -margin).all(axis=(1, 2))
        & (corners[..., 0] < width + margin).all(axis=1)
        & (corners[..., 1] < height + margin).all(axis=1)
    )
    # sides in order: k between i and j (short way), j, m, i
    long_way = sides[:, [1, 3]]
    short_way = sides[:, [0, 2]]
    proportion = long_way.mean(axis=1) / np.maximum(short_way.mean(axis=1), 1e-9)
    good = inside & (proportion > aspect / 1.3) & (proportion < aspect * 1.3)
    good &= (long_way.min(axis=1) > 0.65 * long_way.max(axis=1)) & (
        short_way.min(axis=1) > 0.65 * short_way.max(axis=1)
    )
    good &= _convex(corners)
    index = np.flatnonzero(good)
    corners = corners[index]
    members = (k[index], j[index], m[index], i[index])
    cover = np.stack(
        [
            _overlap(lines, member, corners[:, n], corners[:, (n + 1) % 4])
            for n, member in enumerate(members)
        ],
        axis=1,
    )
    useful = (cover.min(axis=1) > 0.2) & (cover.mean(axis=1) > 0.4)
    return corners[useful], cover[useful].mean(axis=1) + cover[useful].min(axis=1)


def _cross(one: FloatArray, other: FloatArray) -> FloatArray:
    product: FloatArray = one[..., 0] * other[..., 1] - one[..., 1] * other[..., 0]
    return product


def _meet(lines: _Lines, one: NDArray[np.intp], other: NDArray[np.intp]) -> FloatArray:
    n1, n2 = lines.normal[one], lines.normal[other]
    determinant = _cross(n1, n2)
    determinant = np.where(np.abs(determinant) < 1e-6, 1e-6, determinant)
    c1, c2 = lines.offset[one], lines.offset[other]
    return np.column_stack(
        [
            (c1 * n2[:, 1] - c2 * n1[:, 1]) / determinant,
            (n1[:, 0] * c2 - n2[:, 0] * c1) / determinant,
        ]
    )


def _convex(corners: FloatArray) -> NDArray[np.bool_]:
    run = np.roll(corners, -1, axis=1) - corners
    turn = _cross(run, np.roll(run, -1, axis=1))
    return np.asarray((turn > 0).all(axis=1) | (turn < 0).all(axis=1))


def _overlap(
    lines: _Lines, member: NDArray[np.intp], start: FloatArray, end: FloatArray
) -> FloatArray:
    """Share of the side from start to end that the line's interval covers."""
    direction = lines.direction[member]
    s0, s1 = np.sum(start * direction, axis=1), np.sum(end * direction, axis=1)
    low, high = np.minimum(s0, s1), np.maximum(s0, s1)
    shared = np.minimum(high, lines.high[member]) - np.maximum(low, lines.low[member])
    share: FloatArray = np.clip(shared / np.maximum(high - low, 1e-9), 0, 1)
    return share


def _gradients(planes: list[Image]) -> list[tuple[Float32Array, Float32Array]]:
    """Derivatives along x and y in codes a pixel."""
    return [
        (
            cv2.Scharr(plane, cv2.CV_32F, 1, 0, scale=1 / 32),
            cv2.Scharr(plane, cv2.CV_32F, 0, 1, scale=1 / 32),
        )
        for plane in planes
    ]


def _edge_scores(
    gradients: list[tuple[Float32Array, Float32Array]], corners: FloatArray
) -> FloatArray:
    """How far edges run along all four sides, and stop at the corners."""
    along = np.linspace(0.08, 0.92, SIDE_SAMPLES)
    stubs = np.concatenate(
        [np.linspace(-STUB_SHARE, -0.03, 5), np.linspace(1.03, 1 + STUB_SHARE, 5)]
    )
    on_side = _support(gradients, corners, along)
    beyond = _support(gradients, corners, stubs)
    side = on_side.mean(axis=2)
    lonely = side.mean(axis=1) + side.min(axis=1)
    score: FloatArray = lonely - 0.7 * beyond.mean(axis=(1, 2))
    return score


def _support(
    gradients: list[tuple[Float32Array, Float32Array]], corners: FloatArray, along: FloatArray
) -> FloatArray:
    """``(quads, 4, samples)`` strength of the edge across each side, 0 to 1."""
    start = corners[:, :, None, :]
    run = (np.roll(corners, -1, axis=1) - corners)[:, :, None, :]
    normal = (
        np.stack([-run[..., 1], run[..., 0]], axis=-1)
        / np.maximum(np.hypot(run[..., 0], run[..., 1]), 1e-9)[..., None]
    )
    strength = np.zeros((len(corners), 4, len(along)))
    for shift in (-1.5, 0.0, 1.5):
        at = start + along[None, None, :, None] * run + shift * normal
        x, y = at[..., 0].astype(np.float32), at[..., 1].astype(np.float32)
        flat = (x.reshape(len(corners), -1), y.reshape(len(corners), -1))
        for dx, dy in gradients:
            gx, gy = (
                cv2.remap(g, *flat, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
                for g in (dx, dy)
            )
            across = gx.reshape(x.shape) * normal[..., 0] + gy.reshape(x.shape) * normal[..., 1]
            strength = np.maximum(strength, np.abs(across))
    return np.minimum(strength / STRONG_GRADIENT, 1.0)


def _distinct(corners: FloatArray, scores: FloatArray, keep: int) -> list[Quad]:
    """The best of each group of near-identical quads."""
    chosen: list[Quad] = []
    for index in np.argsort(-scores):
        quad = corners[index]
        size = float(np.ptp(quad, axis=0).max())
        if all(_apart(quad, other.corners_px) > 0.03 * size for other in chosen):
            chosen.append(Quad(corners_px=quad, score=float(scores[index])))
        if len(chosen) == keep:
            break
    return chosen


def _apart(one: FloatArray, other: FloatArray) -> float:
    """Largest distance from a corner of one to the nearest corner of the other."""
    between = np.hypot(*np.moveaxis(one[:, None] - other[None], -1, 0))
    return float(between.min(axis=1).max())
