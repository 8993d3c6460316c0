"""Where a straight edge lies, to a few hundredths of a pixel.

The edge of a card or of a printed marker is straight, so hundreds of profiles
across it tell of the same line. Each is read in linear light, since the gamma
of a photo moves a blurred edge by 0.15 to 0.4 px toward the dark side.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vision.photo.colour import linear_between
from vision.types import Float32Array, FloatArray, Image

# Chosen, as are those without a word below. Taken as 0.7 or 1.4 of it, one after the other, they
# change the scale of none of 13 rendered cards and 9 markers by more than 0.04 %, but for
# OUTLIER_MAD (2.45: one marker's by 0.14 %) and WIDE_STEP_PX (one card's by 0.4 % either way).
PROFILE_STEP_PX = 0.5
WIDE_STEP_PX = 1.0  # for a first look farther than 8 px to each side
MAX_PROFILES = 192
MIN_PROFILES = 12
BLOCK_COUNT = 32  # profiles are averaged to about this many points a side
MIN_INLIERS = 6
MIN_BLUR_PX = 0.6  # a pixel's own box and the resampling; narrower is noise
# What remains when noise is averaged away, on drawn edges (test_edges.py): 0.01 px.
FLOOR_PX = 0.015
OUTLIER_MAD = 3.5
MIN_GRADIENT = 1e-4  # linear light a pixel; a flat patch of codes
MIN_AGREEMENT = 0.6
# A profile whose edge on the common line is weaker than this share of its own steepest
# change does not bear the line out.
MIN_PEAK_SHARE = 0.35
# A point bears the line out within this and so many blurs; texture scatters more widely.
SUPPORT_PX = 0.5
SUPPORT_BLURS = 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeLine:
    """A straight edge as fitted.

    Attributes:
        point: ``(x, y)`` on the line, the middle of the points it rests on.
        direction: Unit vector along it.
        u_offset_px: Standard uncertainty across the line at ``point``.
        u_slope: Standard uncertainty of the angle, radians.
        rms_px: Scatter of the single points about the line, outliers left out.
        support: Share of the points within about a blur of the line, 0 to 1.
        blur_px: Standard deviation of the edge's blur.
    """

    point: FloatArray
    direction: FloatArray
    u_offset_px: float
    u_slope: float
    rms_px: float
    support: float
    blur_px: float


def profiles_across(
    rgb: Image,
    start: FloatArray,
    end: FloatArray,
    *,
    half_width_px: float,
    profiles: int = MAX_PROFILES,
) -> tuple[Float32Array, FloatArray, FloatArray]:
    """Cut profiles across the segment from start to end.

    Returns:
        ``(n, m, 3)`` linear light, the ``(n,)`` positions along the segment and
        the ``(m,)`` positions across it in pixels; across is positive to the
        left of the direction, ``(-dy, dx)``.
    """
    length = float(np.hypot(*(end - start)))
    along, left = frame_of(start, end)
    count = int(np.clip(length, MIN_PROFILES, profiles))
    s = (np.arange(count) + 0.5) / count * length
    step = PROFILE_STEP_PX if half_width_px <= 8 else WIDE_STEP_PX
    half = round(half_width_px / step)
    t = np.arange(-half, half + 1) * step
    at = start + s[:, None, None] * along + t[:, None] * left
    return linear_between(rgb, at), s, t


def frame_of(start: FloatArray, end: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the unit vectors from start to end and to the left of that."""
    along = (end - start) / max(float(np.hypot(*(end - start))), 1e-9)
    return along, np.array([-along[1], along[0]])


def fit_edge(
    rgb: Image,
    start: FloatArray,
    end: FloatArray,
    *,
    half_width_px: float,
    max_blur_px: float = np.inf,
    profiles: int = MAX_PROFILES,
    toward: FloatArray | None = None,
) -> EdgeLine | None:
    """Fit the straight edge that runs near the segment from start to end.

    Profiles are averaged in short blocks, and each block's edge is the centroid of its
    gradient under a sliding window; a line is drawn through them by least median of
    squares, then least squares on what agrees. The sharpest change wins, so that a
    soft shadow beside the edge does not.

    Args:
        rgb: The photo, uint8 sRGB.
        start: ``(x, y)``, first end; choose it inside the straight part.
        end: ``(x, y)``, other end.
        half_width_px: How far off the edge may be; nothing else should lie within.
        max_blur_px: Widest blur to believe, where other edges of the same thing have
            told it; a second edge close by looks like blur.
        profiles: At most so many; fewer for a first look.
        toward: ``(3,)`` unit direction in which the colour changes, to the left, where that is
            known: what changes otherwise is another edge.

    Returns:
        The line, or None where no edge runs straight along the segment.

    References:
        Gradient centroid in linear light: 0.025 px corner RMS on drawn markers.
    """
    samples, s, t = profiles_across(rgb, start, end, half_width_px=half_width_px, profiles=profiles)
    blocks, s = average_blocks(samples, s, BLOCK_COUNT)
    change = np.diff(blocks, axis=1) / float(t[1] - t[0])
    gradient = _change(change) if toward is None else np.maximum(change @ toward, 0.0)
    if gradient.max() < MIN_GRADIENT:
        return None
    offsets, strength, blur = _gradient_centroids(gradient, (t[:-1] + t[1:]) / 2, max_blur_px)
    line = _robust_line(s, offsets, strength, tolerance_px=SUPPORT_PX + SUPPORT_BLURS * blur)
    if line is None:
        return None
    offset, slope, u_offset, u_slope, rms, support, s_middle = line
    along, left = frame_of(start, end)
    direction = along + slope * left
    return EdgeLine(
        point=start + s_middle * along + offset * left,
        direction=direction / np.hypot(*direction),
        u_offset_px=float(np.hypot(u_offset, FLOOR_PX)),
        u_slope=u_slope,
        rms_px=rms,
        support=support,
        blur_px=blur,
    )


def average_blocks(
    samples: Float32Array, s: FloatArray, blocks: int
) -> tuple[Float32Array, FloatArray]:
    """Return profiles and their places, averaged to about so many."""
    size = max(1, len(s) // blocks)
    count = len(s) // size
    used = count * size
    mean = samples[:used].reshape(count, size, *samples.shape[1:]).mean(axis=1)
    return mean, s[:used].reshape(count, size).mean(axis=1)


def _change(gradient: Float32Array) -> Float32Array:
    """How fast the colour changes along each profile: ``(n, m)`` from ``(n, m, 3)``.

    Where most profiles change toward the same colour, only change toward it counts,
    which leaves out a good part of the noise. Where they don't (a striped card), all
    change counts.
    """
    padded = np.pad(gradient, ((0, 0), (1, 1), (0, 0)))
    smooth = 0.25 * padded[:, :-2] + 0.5 * padded[:, 1:-1] + 0.25 * padded[:, 2:]
    size = np.sqrt((smooth**2).sum(axis=2))
    rows = np.arange(len(size))
    peaks = smooth[rows, size.argmax(axis=1)]
    direction = np.linalg.eigh(peaks.T @ peaks)[1][:, -1]
    toward = peaks @ direction
    agreement = float(toward.sum() / max(np.linalg.norm(peaks, axis=1).sum(), 1e-12))
    if abs(agreement) < MIN_AGREEMENT:
        return np.asarray(np.sqrt((gradient**2).sum(axis=2)))
    rising: Float32Array = np.maximum(gradient @ (direction * np.sign(agreement)), 0.0)
    return rising


def _gradient_centroids(
    gradient: FloatArray, t: FloatArray, max_blur_px: float
) -> tuple[FloatArray, FloatArray, float]:
    """Position of the edge in each profile, how strong it is, and the common blur."""
    padded = np.pad(gradient, ((0, 0), (1, 1)))
    smooth = 0.25 * padded[:, :-2] + 0.5 * padded[:, 1:-1] + 0.25 * padded[:, 2:]
    centre = t[_common_path(smooth)].astype(float)
    blur = min(_common_blur(gradient, t, centre), max(max_blur_px, MIN_BLUR_PX))
    window = max(0.8, blur)
    strength = np.zeros(len(centre))
    for _ in range(8):
        weight = gradient * np.exp(-0.5 * ((t[None, :] - centre[:, None]) / window) ** 2)
        strength = weight.sum(axis=1)
        centre = (weight * t).sum(axis=1) / np.maximum(strength, 1e-12)
    return centre, strength, blur


def _common_path(smooth: FloatArray) -> NDArray[np.intp]:
    """Index of the likeliest edge in each profile, knowing that all lie on one line.

    Texture beside a faint edge may hold the steepest change of a profile, but no
    texture does so along a line: the line of the highest sum wins, each profile
    counting no more than its own peak. A profile that shows next to nothing on the
    line keeps its own peak, so that it counts against the line, not for it.
    """
    count, width = smooth.shape
    peak = smooth.max(axis=1, keepdims=True)
    share = smooth / np.maximum(peak, 1e-12)
    # a one-sample tolerance, since lines run between the samples
    padded = np.pad(share, ((0, 0), (1, 1)))
    near = np.maximum(share, 0.85 * np.maximum(padded[:, :-2], padded[:, 2:]))
    at = np.linspace(0, 1, count)
    rows = np.arange(count)
    ends = np.arange(width)
    first, last = np.meshgrid(ends, ends, indexing="ij")
    path = np.rint(first[..., None] * (1 - at) + last[..., None] * at).astype(np.intp)
    total = near[rows, path].sum(axis=-1)
    best = path[np.unravel_index(int(np.argmax(total)), total.shape)]
    reach = np.clip(best[:, None] + np.arange(-2, 3), 0, width - 1)
    there = np.take_along_axis(share, reach, axis=1)
    chosen: NDArray[np.intp] = np.where(
        there.max(axis=1) > MIN_PEAK_SHARE, reach[rows, there.argmax(axis=1)], smooth.argmax(axis=1)
    )
    return chosen


def _common_blur(rising: FloatArray, t: FloatArray, centre: FloatArray) -> float:
    """Half width of the gradient where it has fallen to exp(-1/2), median over profiles."""
    peak = rising.max(axis=1, keepdims=True)
    wide = (rising > 0.607 * peak) & (np.abs(t[None, :] - centre[:, None]) < 6)
    return max(MIN_BLUR_PX, float(np.median(wide.sum(axis=1))) * float(t[1] - t[0]) / 2)


def _robust_line(
    s: FloatArray, v: FloatArray, weight: FloatArray, *, tolerance_px: float
) -> tuple[float, float, float, float, float, float, float] | None:
    """Line v = offset + slope (s - middle) by least median of squares, then least squares."""
    count = len(s)
    if count < MIN_INLIERS:
        return None
    pairs = _sample_pairs(count)
    run = s[pairs[:, 1]] - s[pairs[:, 0]]
    slopes = (v[pairs[:, 1]] - v[pairs[:, 0]]) / run
    starts = v[pairs[:, 0]] - slopes * s[pairs[:, 0]]
    misses = np.abs(v[None, :] - starts[:, None] - slopes[:, None] * s[None, :])
    best = int(np.argmin(np.median(misses, axis=1)))
    spread = max(1.4826 * float(np.median(misses[best])), 0.03)
    shows = weight > 0  # where nothing changes the right way there is no edge to follow
    inside = shows & (misses[best] < OUTLIER_MAD * spread)
    offset = slope = rms = middle = 0.0
    for _ in range(3):
        if inside.sum() < MIN_INLIERS:
            return None
        w = np.where(inside, weight, 0.0)
        total = w.sum()
        middle = float((w * s).sum() / total)
        offset = float((w * v).sum() / total)
        slope = float((w * (s - middle) * (v - offset)).sum() / (w * (s - middle) ** 2).sum())
        miss = v - offset - slope * (s - middle)
        rms = float(np.sqrt((w * miss**2).sum() / total))
        inside = shows & (np.abs(miss) < OUTLIER_MAD * max(rms, 0.03))
    used = s[inside]
    if len(used) < MIN_INLIERS:
        return None
    near = np.abs(v - offset - slope * (s - middle)) < tolerance_px
    support = float(np.mean(shows & near))
    # Neighbouring points share texture and JPEG blocks: count each second one.
    effective = max(len(used) / 2, 3.0)
    u_offset = rms / np.sqrt(effective)
    u_slope = u_offset / max(float(np.std(used)), 1e-9)
    return offset, slope, u_offset, u_slope, rms, support, middle


@lru_cache(maxsize=64)
def _sample_pairs(count: int) -> np.ndarray[tuple[int, int], np.dtype[np.intp]]:
    """Pairs at least a third of the side apart, the same ones each time."""
    first, second = np.triu_indices(count, k=max(1, count // 3))
    keep = np.random.default_rng(0).permutation(len(first))[:160]
    return np.column_stack([first[keep], second[keep]])


def intersect(one: EdgeLine, other: EdgeLine) -> tuple[FloatArray, float]:
    """Return where two edges meet and the standard uncertainty of that point in pixels.

    The uncertainty is that of the less certain direction, as one number.
    """
    matrix = np.column_stack([one.direction, -other.direction])
    run = np.linalg.solve(matrix, other.point - one.point)
    corner: FloatArray = one.point + run[0] * one.direction
    across = [
        np.hypot(edge.u_offset_px, edge.u_slope * abs(reach))
        for edge, reach in ((one, run[0]), (other, run[1]))
    ]
    sine = abs(float(np.linalg.det(matrix)))
    return corner, float(np.sqrt(np.mean(np.square(across))) / max(sine, 0.1))
