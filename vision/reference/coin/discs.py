"""Where on the photo do round things lie? Coin-like discs, found and outlined.

Three looks, each finer than the one before:

1. *Voting*: on copies of the photo reduced by octaves every edge pixel votes
   for the centres it could belong to (fast radial symmetry, Loy & Zelinsky,
   IEEE PAMI 25(8), 2003, with both directions of contrast).
2. *Rings*: around each centre the radial edges are read and closed rings
   ``r(t) = c0 + c1 cos t + s1 sin t + c2 cos 2t + s2 sin 2t`` (an ellipse to
   first order) are drawn from random angle sets; a coin gives several: its
   outline, the step of its rim, the joint of two metals, its shadow.
3. *Outline*: the ring that bounds the disc is chosen and fitted at full
   resolution in linear light.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from math import pi
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo.colour import to_linear
from vision.reference.coin.ellipse import Ellipse, EllipseFit, fit_ellipse
from vision.reference.places import Place
from vision.types import Float32Array, FloatArray, Image

# Thresholds without a source were set on 145 euro coins of known size in five phone photos
# (coins-dataset, J. Beijar, MIT licence) and on drawn coins; most may move by a fifth
# without changing the errors by more than their own scatter.

# -- voting ------------------------------------------------------------------
BASE_LONG_SIDE_PX = 832
OCTAVES = 5
VOTE_RADII_PX = (8.0, 9.0, 10.2, 11.5, 13.0, 14.7, 16.6)  # one octave in steps of 13 %
VOTE_FLOOR = 10.0  # grey levels per pixel: over JPEG noise of reduced copies
VOTE_BLUR_PX = 1.3  # a circle seen at 30 degrees spreads its centre by 7 % of its radius
VOTES_KEPT = 40  # per octave
MIN_VOTE = 0.28  # share of the circumference that votes

Spans = tuple[tuple[float, ...], tuple[float, ...]]

# -- rings -------------------------------------------------------------------
COARSE_ANGLES, COARSE_SAMPLES, COARSE_RANGE = 36, 40, (0.5, 1.5)
COARSE_TOLERANCE = 0.05
COARSE_SUPPORT = 0.58
FINE_ANGLES = 90
WIDE_TOLERANCE, FINE_TOLERANCE = 0.015, 0.011
MIN_TOLERANCE_PX = 1.0  # nothing is sharper than that in a phone photo
WIDE_RADIUS_PX = 56.0  # radius of a disc in its crop for the wide look
FINE_RADIUS_PX = 190.0  # and at most so much for the fine look
WIDE_RANGE = (0.64, 1.62)
FINE_RANGE = (0.86, 1.14)
PEAKS = 7
MISSING = 1e3  # radius of an edge that is not there
COARSE_SETS, WIDE_SETS, FINE_SETS = 40, 260, 400
RINGS_TRIED = 20
DISCS_TRIED = 64  # a table full of coins; texture gives hundreds of poor candidates
RANK_SHARE = (0.36, 0.2, 0.14, 0.1, 0.08, 0.06, 0.06)
TRUST_FULL, TRUST_POWER = 0.4, 1.0
PEAK_FLOOR = 3.0  # grey levels per sample pair
MAX_STRETCH = 0.13  # axis ratio 0.77: 30 degrees of tilt and 9 of view (cos 39.5)
RING_SUPPORT = 0.25
PLACED_SUPPORT = 0.42  # where the network sees a reference: one of 43 rendered coins needs it
DISC_SUPPORT = 0.50  # of a disc's clearest ring: 95 % of 150 real coins lie over 0.52
SHADOW_STEP = 3  # samples either side of an edge
SHADOW_DISTRUST, SHADOW_DISTRUST_GREY = 0.8, 0.6
SHARP_AS, SHARP_RANGE, SHARP_LEAST = 0.9, 0.4, 0.2
SHADOW_TINT = 0.25
DARK = 0.02  # linear light under which colour is noise
CHROMA_NOISE = 0.12
RAY_SPANS = ((0.80, 0.84, 0.88, 0.92), (1.10, 1.14, 1.18, 1.21))
RAY_RADIUS_PX = 90.0  # larger discs are smoothed so much more
FINE_SPANS = ((0.76, 0.80, 0.84, 0.88, 0.92), (1.12, 1.17, 1.22, 1.27))
WIDE_SPANS = ((0.55, 0.62, 0.69, 0.76, 0.83, 0.9), (1.5, 1.56, 1.62, 1.68))
STEP_WIDTH = 0.035  # of the radius
SHADOW_DEPTH = 2.5  # log of linear light: a twelfth
PARTS_WEIGHT = 0.4
MOVED = 0.04  # look again where the ring was not where the colours were sampled for


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ring:
    """A closed ring of edges around a centre, in units of a radius.

    Attributes:
        coefficients: ``(5,)`` of the ring's Fourier form.
        radius: ``(n_angles,)`` radius at each angle.
        support: Share of the angles that show an edge there, 0 to 1, weighted.
        parts: How far it parts disc from table by colour, -1 to 1; 0 where that can't tell.
    """

    coefficients: FloatArray
    radius: FloatArray
    support: float
    parts: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A centre that many edges vote for, full-resolution pixels."""

    x: float
    y: float
    r: float
    votes: float


# -- 1 voting ----------------------------------------------------------------


def _octaves(rgb: Image) -> list[tuple[float, Image]]:
    """Reduced copies with the factor to full resolution, finest first."""
    long_side = max(rgb.shape[:2])
    factor = max(1, -(-long_side // BASE_LONG_SIDE_PX))
    height, width = rgb.shape[0] // factor, rgb.shape[1] // factor
    base = rgb[: height * factor, : width * factor]
    if factor > 1:
        base = cv2.resize(base, (width, height), interpolation=cv2.INTER_AREA)
    levels = [(float(factor), base)]
    while len(levels) < OCTAVES and min(levels[-1][1].shape[:2]) >= 64:
        scale, image = levels[-1]
        h, w = image.shape[0] // 2, image.shape[1] // 2
        half = cv2.resize(image[: 2 * h, : 2 * w], (w, h), interpolation=cv2.INTER_AREA)
        levels.append((scale * 2, half))
    return levels


def _edge_pixels(image: Image) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Ridge pixels of the gradient: x, y and its unit direction.

    Of each pixel the channel with the strongest gradient counts, so that a brass
    coin on wood of the same lightness still has an outline.
    """
    best = np.zeros(image.shape[:2], np.int16)
    gx, gy = np.zeros_like(best), np.zeros_like(best)
    for channel in cv2.split(image):
        x, y = cv2.Scharr(channel, cv2.CV_16S, 1, 0), cv2.Scharr(channel, cv2.CV_16S, 0, 1)
        size = np.abs(x) + np.abs(y)
        stronger = size > best
        np.copyto(best, size, where=stronger)
        np.copyto(gx, x, where=stronger)
        np.copyto(gy, y, where=stronger)
    ax, ay = np.abs(gx), np.abs(gy)
    beside = np.maximum(np.roll(best, 1, 1), np.roll(best, -1, 1))
    above = np.maximum(np.roll(best, 1, 0), np.roll(best, -1, 0))
    ridge = (best >= np.where(ax > ay, beside, above)) & (best > 16 * VOTE_FLOOR)
    ridge[0], ridge[-1], ridge[:, 0], ridge[:, -1] = False, False, False, False
    rows, columns = np.nonzero(ridge)
    fx, fy = gx[rows, columns].astype(np.float64), gy[rows, columns].astype(np.float64)
    length = np.hypot(fx, fy)
    return columns.astype(np.float64), rows.astype(np.float64), fx / length, fy / length


def _vote(image: Image) -> list[Candidate]:
    """Centres of round things whose radius at this octave is 8 to 17 px."""
    h, w = image.shape[:2]
    x, y, ux, uy = _edge_pixels(cv2.GaussianBlur(image, (0, 0), 0.8))
    if len(x) == 0:
        return []
    pad = int(VOTE_RADII_PX[-1]) + 2
    ww, hh = w + 2 * pad, h + 2 * pad
    planes = np.empty((len(VOTE_RADII_PX), hh, ww), np.float32)
    for k, r in enumerate(VOTE_RADII_PX):
        # Both directions of contrast: a rim may be dark on one side and bright on the other.
        cells = np.concatenate(
            [
                np.rint(y + (pad + sign * r * uy)).astype(np.int64) * ww
                + np.rint(x + (pad + sign * r * ux)).astype(np.int64)
                for sign in (-1.0, 1.0)
            ]
        )
        plane = np.bincount(cells, minlength=hh * ww).reshape(hh, ww).astype(np.float32)
        # 2 pi r votes on one spot are a full circle.
        planes[k] = cv2.GaussianBlur(plane, (0, 0), VOTE_BLUR_PX)
        planes[k] *= VOTE_BLUR_PX**2 / r
    best = planes.max(axis=0)
    peak = (best >= cv2.dilate(best, np.ones((7, 7), np.uint8))) & (best > MIN_VOTE)
    rows, columns = np.nonzero(peak)
    order = np.argsort(-best[rows, columns])[:VOTES_KEPT]
    found = []
    for row, column in zip(rows[order], columns[order], strict=True):
        k = int(planes[:, row, column].argmax())
        cx, cy = float(column - pad), float(row - pad)
        if 0 <= cx < w and 0 <= cy < h:
            votes = float(best[row, column])
            found.append(Candidate(x=cx, y=cy, r=VOTE_RADII_PX[k], votes=votes))
    return found


# -- 2 rings -----------------------------------------------------------------


def _basis(angles: int) -> FloatArray:
    t = np.linspace(0, 2 * pi, angles, endpoint=False)
    return np.column_stack([np.ones_like(t), np.cos(t), np.sin(t), np.cos(2 * t), np.sin(2 * t)])


@lru_cache(maxsize=8)
def _angle_sets(angles: int, sets: int) -> tuple[NDArray[np.int64], FloatArray]:
    """Sets of six spread angles and the matrices that turn six radii into a ring."""
    rng = np.random.default_rng(20)
    start = rng.integers(0, angles, sets)
    jitter = rng.integers(-angles // 15, angles // 15 + 1, (sets, 6))
    chosen = (start[:, None] + np.arange(6) * angles // 6 + jitter) % angles
    solve = np.linalg.pinv(_basis(angles)[chosen])
    round_sets = sets // 2  # every other set may draw circles only: few tilts are steep
    solve[:round_sets, 3:] = 0
    solve[:round_sets, :3] = np.linalg.pinv(_basis(angles)[chosen[:round_sets], :3])
    return chosen, solve


def _polar(
    image: Image, centres: FloatArray, radii: FloatArray, angles: int, reach: FloatArray
) -> Float32Array:
    """``(n, angles, samples, 3)`` colours along the rays of each centre."""
    t = np.linspace(0, 2 * pi, angles, endpoint=False)
    r = radii[:, None, None] * reach[None, None, :]
    x = centres[:, 0, None, None] + r * np.cos(t)[None, :, None]
    y = centres[:, 1, None, None] + r * np.sin(t)[None, :, None]
    n, a, s = x.shape
    sampled = cv2.remap(
        image,
        x.reshape(n * a, s).astype(np.float32),
        y.reshape(n * a, s).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    polar: Float32Array = sampled.reshape(n, a, s, 3).astype(np.float32)
    return polar


def _peaks(polar: Float32Array, reach: FloatArray) -> tuple[Float32Array, Float32Array]:
    """The strongest radial edges of every ray: ``(n, angles, PEAKS)`` radii and strengths.

    Missing ones have strength 0 and a radius beyond all.
    """
    step = polar[:, :, 2:] - polar[:, :, :-2]
    size = np.abs(step).max(axis=3)
    middle = size[:, :, 1:-1]
    is_peak = (middle > size[:, :, :-2]) & (middle >= size[:, :, 2:]) & (middle > PEAK_FLOOR)
    ranked = np.where(is_peak, middle, 0.0)
    pick = np.argpartition(-ranked, PEAKS - 1, axis=2)[:, :, :PEAKS]
    strength = np.take_along_axis(ranked, pick, 2)
    order = np.argsort(-strength, axis=2)
    pick, strength = np.take_along_axis(pick, order, 2), np.take_along_axis(strength, order, 2)
    left = np.take_along_axis(size[:, :, :-2], pick, 2)
    right = np.take_along_axis(size[:, :, 2:], pick, 2)
    bend = left - 2 * strength + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1), 0.0)
    pitch = reach[1] - reach[0]
    radius = reach[0] + pitch * (pick + 2 + np.clip(shift, -0.5, 0.5))
    return (
        np.where(strength > 0, radius, MISSING).astype(np.float32),
        strength.astype(np.float32),
    )


def _support(
    predicted: Float32Array, radius: Float32Array, trust: Float32Array, tolerance: float
) -> tuple[Float32Array, NDArray[np.int64]]:
    """How well rays show an edge at the predicted radius, 0 to 1, and which edge that is."""
    miss = np.abs(radius - predicted[..., None]) / tolerance
    gain = np.where(miss < 1, (1 - np.minimum(miss, 1) ** 2) * trust, 0.0)
    which = gain.argmax(axis=-1)
    return np.take_along_axis(gain, which[..., None], -1)[..., 0].astype(np.float32), which


def _trust(strength: Float32Array) -> Float32Array:
    """Trust in an edge: full from half the typical strongest edge of its disc upwards."""
    typical = np.median(strength[..., 0], axis=-1)[..., None, None]
    trust: Float32Array = np.minimum(
        1.0, (strength / np.maximum(TRUST_FULL * typical, PEAK_FLOOR)) ** TRUST_POWER
    )
    return trust


def _chroma(codes: NDArray[np.uint8]) -> FloatArray:
    """Log ratios red over green and blue over green of linear light: shadow keeps them."""
    light = np.log(to_linear(codes.reshape(1, -1, 3)).astype(np.float64) + DARK)
    return np.stack([light[0, :, 0] - light[0, :, 1], light[0, :, 2] - light[0, :, 1]], axis=1)


def _normal(samples: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Middle and inverse spread of a cloud of colours, robust against a fifth of strangers."""
    middle = np.median(samples, axis=0)
    for _ in range(2):
        away = np.abs(samples - middle).sum(axis=1)
        near = samples[away <= np.quantile(away, 0.8)]
        middle = near.mean(axis=0)
    spread = np.cov(near.T) + CHROMA_NOISE**2 * np.eye(2)
    return middle, np.linalg.inv(spread)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surround:
    """What lies along the rays of one crop.

    Attributes:
        reach: ``(samples,)`` radii.
        metal: ``(angles, samples)`` probability that the colour is the disc's, not the table's,
            summed up along each ray.
        tells: How well colour parts disc and table, 0 to 1.
        level: ``(angles, samples)`` log of linear light, mean of the channels, summed up likewise.
        table_level: The same of the table around.
    """

    reach: FloatArray
    metal: FloatArray
    tells: float
    level: FloatArray
    table_level: float

    def band(self, sums: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
        """Mean of a summed value on each ray from radius ``low`` to ``high``."""
        pitch = self.reach[1] - self.reach[0]
        last = len(self.reach) - 1
        a = np.clip(np.rint((low - self.reach[0]) / pitch).astype(int), 0, last - 1)
        b = np.clip(np.rint((high - self.reach[0]) / pitch).astype(int), a + 1, last)
        rows = np.arange(len(sums))
        mean: FloatArray = (sums[rows, b] - sums[rows, a]) / (b - a)
        return mean


def _surround(crop: Crop, polar: Float32Array, reach: FloatArray, spans: Spans) -> Surround:
    """Colour models of disc and table from where each surely is, and the rays judged by them.

    The disc: normal in both chromaticities and in level. The table: normal in
    chromaticity; its level is that of the lit table or, in shadow, anything darker.
    """
    ring = _polar(
        crop.image,
        np.array([[float(crop.centre_px)] * 2]),
        np.array([crop.radius_px]),
        60,
        np.array([*spans[0], *spans[1]]),
    )[0].astype(np.uint8)
    return _surround_of(polar, reach, ring[:, : len(spans[0])], ring[:, len(spans[0]) :])


def _surround_of(polar: Float32Array, reach: FloatArray, inside: Image, outside: Image) -> Surround:
    """The same from codes that are surely the disc's, and such as are the table's."""
    disc, table = _normal(_chroma(inside)), _normal(_chroma(outside))
    disc_level, table_level = _spread(_level(inside), 0.25), _spread(_level(outside), 0.06)

    def metal(codes: NDArray[np.uint8]) -> FloatArray:
        colour, level = _chroma(codes), _level(codes)
        lit = np.exp(-0.5 * ((level - table_level[0]) / table_level[1]) ** 2)
        lit /= table_level[1] * np.sqrt(2 * pi)
        below = table_level[0] - level
        shade = ((below > 0.05) & (below < SHADOW_DEPTH)) / SHADOW_DEPTH
        log_ratio = (
            _log_normal(colour, disc)
            - 0.5 * ((level - disc_level[0]) / disc_level[1]) ** 2
            - np.log(disc_level[1] * np.sqrt(2 * pi))
            - _log_normal(colour, table)
            - np.log(0.5 * lit + 0.5 * shade + 1e-3)
        )
        probability: FloatArray = 1 / (1 + np.exp(-np.clip(log_ratio, -8, 8)))
        return probability

    codes = polar.astype(np.uint8)
    shape = polar.shape[1:3]

    def tint(codes: NDArray[np.uint8]) -> float:
        """Typical probability of metal by chromaticity alone, which shadow leaves as it is."""
        odds = _log_normal(_chroma(codes), disc) - _log_normal(_chroma(codes), table)
        return float(np.median(1 / (1 + np.exp(-np.clip(odds, -8, 8)))))

    tells = tint(inside) - tint(outside)
    return Surround(
        reach=reach,
        metal=np.cumsum(metal(codes).reshape(shape), axis=1),
        tells=max(0.0, tells),
        level=np.cumsum(_level(codes).reshape(shape), axis=1),
        table_level=table_level[0],
    )


def _log_normal(colour: FloatArray, model: tuple[FloatArray, FloatArray]) -> FloatArray:
    away = colour - model[0]
    squared = np.minimum(np.einsum("ni,ij,nj->n", away, model[1], away), 25.0)
    density: FloatArray = 0.5 * np.log(np.linalg.det(model[1])) - 0.5 * squared
    return density


def _spread(values: FloatArray, floor: float) -> tuple[float, float]:
    middle = float(np.median(values))
    return middle, max(floor, 1.4826 * float(np.median(np.abs(values - middle))))


def _level(codes: NDArray[np.uint8]) -> FloatArray:
    light: FloatArray = np.log(to_linear(codes.reshape(1, -1, 3)).astype(np.float64) + DARK)
    mean: FloatArray = light.mean(axis=2)[0]
    return mean


def _parts(radius: FloatArray, around: Surround) -> float:
    """How much more of the disc's colour lies just inside a ring than just outside."""
    inside = around.band(around.metal, radius - STEP_WIDTH, radius - 0.004)
    outside = around.band(around.metal, radius + 0.004, radius + STEP_WIDTH)
    return float(np.mean(inside - outside)) * around.tells


def _shadow_like(polar: Float32Array, reach: FloatArray, radius: Float32Array) -> Float32Array:
    """1 where an edge could be the edge of a shadow: darker inwards, colour kept.

    Shadow takes the same share of red, green and blue; from metal to table the
    shares differ, and from shadow to a lit rim it grows brighter inwards.
    """
    n, angles, samples, _ = polar.shape
    pitch = reach[1] - reach[0]
    at = np.rint((np.minimum(radius, reach[-1]) - reach[0]) / pitch).astype(int)
    light = np.log(to_linear(polar.astype(np.uint8).reshape(n * angles, samples, 3)) + 0.01)
    light = light.reshape(polar.shape)
    i, j = np.arange(n)[:, None, None], np.arange(angles)[None, :, None]
    inner = light[i, j, np.clip(at - SHADOW_STEP, 0, samples - 1)]
    outer = light[i, j, np.clip(at + SHADOW_STEP, 0, samples - 1)]
    ratio = inner - outer
    mean = ratio.mean(axis=-1)
    tinted = ratio.max(axis=-1) - ratio.min(axis=-1) >= 0.08 + SHADOW_TINT * np.abs(mean)
    shade = (mean < -0.05) & ~tinted

    def change(reach_samples: int) -> NDArray[np.floating[Any]]:
        low = light[i, j, np.clip(at - reach_samples, 0, samples - 1)]
        high = light[i, j, np.clip(at + reach_samples, 0, samples - 1)]
        return np.asarray(np.abs(high - low).mean(axis=-1))

    sharpness = change(1) / np.maximum(change(SHADOW_STEP + 1), 0.02)
    real = radius < MISSING
    metal = real[..., :2] & ~shade[..., :2]
    if not metal.any():
        return np.asarray(shade, dtype=np.float32)
    typical = float(np.median(sharpness[..., :2][metal]))
    softness: NDArray[np.floating[Any]] = np.clip(
        (SHARP_AS - sharpness / max(typical, 1e-3)) / SHARP_RANGE, SHARP_LEAST, 1.0
    )
    return np.asarray(shade * softness, dtype=np.float32)


def _ring_hypotheses(
    radius: Float32Array,
    trust: Float32Array,
    *,
    sets: int,
    tolerance: float,
    seed: int,
) -> tuple[FloatArray, FloatArray]:
    """Rings through random edges: ``(n, sets, 5)`` coefficients and ``(n, sets)`` support."""
    n, angles, _ = radius.shape
    chosen, solve = _angle_sets(angles, sets)
    rng = np.random.default_rng(seed)
    rank = rng.choice(PEAKS, size=(n, sets, 6), p=RANK_SHARE)
    # Rays of one set prefer the same radius: follow the edge nearest to the first one's.
    first = radius[np.arange(n)[:, None], chosen[:, 0][None, :], rank[..., 0]]
    at = radius[:, chosen]  # n, sets, 6, PEAKS
    near = np.abs(at - first[:, :, None, None]).argmin(axis=-1)
    follow = rng.random((n, sets, 1)) < 0.7
    rank = np.where(follow, near, rank)
    value = np.take_along_axis(at, rank[..., None], -1)[..., 0]
    bad = (value >= MISSING).any(axis=-1)
    coefficients = np.einsum("qij,nqj->nqi", solve, value)
    predicted = coefficients @ _basis(angles).T
    gain, _ = _support(predicted.astype(np.float32), radius[:, None], trust[:, None], tolerance)
    support = gain.mean(axis=-1)
    stretch = np.hypot(coefficients[..., 3], coefficients[..., 4]) / coefficients[..., 0]
    support = np.where(bad | (stretch > MAX_STRETCH) | (coefficients[..., 0] < 0.3), 0.0, support)
    return coefficients, support


def _polish(
    coefficients: FloatArray,
    radius: Float32Array,
    trust: Float32Array,
    tolerance: float,
    *,
    circles: bool = False,
) -> list[Ring]:
    """Fit each of ``(k, 5)`` rings to the edges near it, tightening the tolerance.

    ``radius`` and ``trust`` are ``(k or 1, angles, PEAKS)``.
    """
    terms = 3 if circles else 5
    basis = _basis(radius.shape[1])[:, :terms]
    coefficients = coefficients[:, :terms]
    rows = np.broadcast_to(radius, (len(coefficients), *radius.shape[1:]))
    for widen in (2.5, 1.5, 1.0):
        predicted = (coefficients @ basis.T).astype(np.float32)
        gain, which = _support(predicted, radius, trust, tolerance * widen)
        near = np.take_along_axis(rows, which[..., None], 2)[..., 0]
        target = np.where(gain > 0, near, 0.0)
        weighted = basis.T[None] * gain[:, None, :]
        normal = weighted @ basis + 1e-9 * np.eye(terms)
        solved = np.linalg.solve(normal, weighted @ target[..., None])[..., 0]
        enough = np.count_nonzero(gain, axis=1) >= 6
        coefficients = np.where(enough[:, None], solved, coefficients)
    predicted = coefficients @ basis.T
    gain, _ = _support(predicted.astype(np.float32), radius, trust, tolerance)
    full = np.zeros((len(coefficients), 5))
    full[:, :terms] = coefficients
    return [
        Ring(
            coefficients=full[k],
            radius=predicted[k],
            support=float(gain[k].mean()),
        )
        for k in range(len(coefficients))
    ]


def _coarse(scale: float, image: Image, candidates: list[Candidate]) -> list[Candidate]:
    """Candidates that have a ring at their octave, recentred, at full resolution."""
    if not candidates:
        return []
    centres = np.array([[c.x, c.y] for c in candidates])
    radii = np.array([c.r for c in candidates])
    reach = np.linspace(*COARSE_RANGE, COARSE_SAMPLES)
    radius, strength = _peaks(_polar(image, centres, radii, COARSE_ANGLES, reach), reach)
    trust = _trust(strength)
    coefficients, support = _ring_hypotheses(
        radius, trust, sets=COARSE_SETS, tolerance=COARSE_TOLERANCE, seed=1
    )
    best = coefficients[np.arange(len(candidates)), support.argmax(axis=1)]
    kept = []
    for candidate, ring in zip(
        candidates, _polish(best, radius, trust, COARSE_TOLERANCE), strict=True
    ):
        if ring.support < COARSE_SUPPORT:
            continue
        c = ring.coefficients
        kept.append(
            Candidate(
                x=(candidate.x + c[1] * candidate.r + 0.5) * scale - 0.5,
                y=(candidate.y + c[2] * candidate.r + 0.5) * scale - 0.5,
                r=c[0] * candidate.r * scale,
                votes=ring.support,
            )
        )
    return kept


def _merge(candidates: list[Candidate], *, near: float = 0.35) -> list[Candidate]:
    """Drop candidates that lie on a better one of like size."""
    kept: list[Candidate] = []
    for c in sorted(candidates, key=lambda c: -c.votes):
        if not any(
            np.hypot(c.x - k.x, c.y - k.y) < near * min(c.r, k.r) and 0.6 < c.r / k.r < 1.67
            for k in kept
        ):
            kept.append(c)
    return kept


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crop:
    """A disc cut out at a handy size: its centre is the middle pixel.

    Attributes:
        image: Square, uint8 RGB.
        centre_px: Index of the middle pixel, the same for row and column.
        radius_px: Radius that the candidate has here.
    """

    image: Image
    centre_px: int
    radius_px: float


def crop_disc(rgb: Image, candidate: Candidate, *, radius_px: float, reach: float) -> Crop:
    """Cut a candidate out, averaged down so that its radius is at most ``radius_px``."""
    zoom = max(1.0, candidate.r / radius_px)
    radius = candidate.r / zoom
    half = int(np.ceil(radius * reach)) + 3
    source, x, y = rgb, candidate.x, candidate.y
    factor = int(zoom + 0.3)
    if factor > 1:  # average first, so that fine relief does not alias
        far = int(zoom * (half + 2))
        x0, y0 = max(0, int(x) - far), max(0, int(y) - far)
        x1, y1 = min(rgb.shape[1], int(x) + far + 1), min(rgb.shape[0], int(y) + far + 1)
        w, h = max(1, (x1 - x0) // factor), max(1, (y1 - y0) // factor)
        source = cv2.resize(
            rgb[y0 : y0 + h * factor, x0 : x0 + w * factor], (w, h), interpolation=cv2.INTER_AREA
        )
        x, y = (x - x0 + 0.5) / factor - 0.5, (y - y0 + 0.5) / factor - 0.5
        zoom /= factor
    matrix = np.array([[zoom, 0, x - zoom * half], [0, zoom, y - zoom * half]])
    image = cv2.warpAffine(
        source,
        matrix,
        (2 * half + 1, 2 * half + 1),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return Crop(image=image, centre_px=half, radius_px=radius)


def rings_of(
    crop: Crop,
    *,
    span: tuple[float, float],
    tolerance: float,
    spans: Spans,
    sets: int,
) -> tuple[list[Ring], Surround]:
    """All closed rings of edges around the middle of a crop, best supported first."""
    tolerance = max(tolerance, MIN_TOLERANCE_PX / crop.radius_px)
    samples = max(24, int((span[1] - span[0]) * crop.radius_px / 0.8))
    reach = np.linspace(*span, samples)
    smooth = cv2.GaussianBlur(crop.image, (0, 0), 0.7)
    centre = np.array([[float(crop.centre_px), float(crop.centre_px)]])
    polar = _polar(smooth, centre, np.array([crop.radius_px]), FINE_ANGLES, reach)
    radius, strength = _peaks(polar, reach)
    around = _surround(crop, polar, reach, spans)
    # White metal on white paper: its outline, too, keeps the colour.
    distrust = SHADOW_DISTRUST * around.tells + SHADOW_DISTRUST_GREY * (1 - around.tells)
    trust = _trust(strength) * (1 - distrust * _shadow_like(polar, reach, radius))
    trust = trust.astype(np.float32)
    coefficients, support = _ring_hypotheses(
        radius, trust, sets=sets, tolerance=2 * tolerance, seed=2
    )
    half = sets // 2
    kept: list[Ring] = []
    for circles, part in ((True, slice(0, half)), (False, slice(half, None))):
        first = np.argsort(-support[0, part])[:60]
        first = first[support[0, part][first] >= 0.5 * RING_SUPPORT]
        if len(first) == 0:
            continue
        guesses = coefficients[0, part][first]
        distinct = _distinct(guesses, np.arange(len(first)), 0.6 * tolerance)[:RINGS_TRIED]
        kept += [
            ring
            for ring in _polish(guesses[distinct], radius, trust, tolerance, circles=circles)
            if ring.support >= RING_SUPPORT and _stretch(ring) <= MAX_STRETCH
        ]
    kept.sort(key=lambda ring: -_merit(ring))
    if kept:
        order = np.arange(len(kept))
        distinct = _distinct(np.array([r.coefficients for r in kept]), order, 0.8 * tolerance)
        kept = [kept[k] for k in distinct]
    rings = [replace(ring, parts=_parts(ring.radius, around)) for ring in kept]
    return sorted(rings, key=lambda ring: -_merit(ring)), around


def edges_along_rays(
    rgb: Image, centre_px: FloatArray, rays_px: FloatArray, reach: FloatArray
) -> tuple[Float32Array, Float32Array, FloatArray]:
    """The edges along rays from the middle of a disc, and where its colour is.

    Args:
        rgb: The photo.
        centre_px: ``(2,)`` the middle.
        rays_px: ``(n, 2)`` from there to an outline.
        reach: ``(m,)`` where to look, in rays, evenly; from inside to outside the disc.

    Returns:
        ``(n, PEAKS)`` where the strongest edges are, in rays, `MISSING` where there is none;
        how far each is trusted, 0 to 1; ``(n, m)`` probability of the disc's colour, times
        how well colour tells.
    """
    longest = float(np.linalg.norm(rays_px, axis=1).max())
    half = int(longest * reach[-1]) + 6
    x0, y0 = (max(0, int(c) - half) for c in centre_px)
    part = rgb[y0 : int(centre_px[1]) + half + 1, x0 : int(centre_px[0]) + half + 1]
    smooth = cv2.GaussianBlur(part, (0, 0), max(0.7, 0.5 * longest / RAY_RADIUS_PX))
    at = centre_px - (x0, y0) + rays_px[:, None, :] * reach[None, :, None]
    at = at.astype(np.float32)
    codes = cv2.remap(
        smooth, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    polar = codes.astype(np.float32)[None]
    radius, strength = _peaks(polar, reach)
    columns = [np.abs(reach[:, None] - np.array(span)[None]).argmin(axis=0) for span in RAY_SPANS]
    around = _surround_of(polar, reach, codes[:, columns[0]], codes[:, columns[1]])
    distrust = SHADOW_DISTRUST * around.tells + SHADOW_DISTRUST_GREY * (1 - around.tells)
    trust = _trust(strength) * (1 - distrust * _shadow_like(polar, reach, radius))
    metal = np.diff(around.metal, axis=1, prepend=0.0) * around.tells
    return radius[0], trust[0].astype(np.float32), metal


def _distinct(
    coefficients: FloatArray, names: NDArray[np.int64], tolerance: float
) -> NDArray[np.int64]:
    """Names of those rings that differ from every better one (earlier in the order)."""
    radius = coefficients @ _basis(FINE_ANGLES)[::3].T
    apart = np.abs(radius[:, None] - radius[None]).mean(axis=2)
    chosen: list[int] = []
    for k in range(len(radius)):
        if not chosen or float(apart[k, chosen].min()) >= tolerance:
            chosen.append(k)
    return names[chosen]


def _stretch(ring: Ring) -> float:
    """Half the difference of the half axes over their mean."""
    return float(np.hypot(*ring.coefficients[3:])) / float(ring.coefficients[0])


# -- 3 outline ---------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Disc:
    """A round thing with its outline.

    Attributes:
        fit: The ellipse of its outline at full resolution, with scatter.
        coverage: Share of the outline where an edge was seen.
        inside: ``(3,)`` mean linear light of its face.
        centre_part: ``(3,)`` mean linear light of the inner half of its radius.
        rim_part: ``(3,)`` mean linear light of the outer quarter of its radius.
        outside: ``(3,)`` median linear light just around it.
    """

    fit: EllipseFit
    coverage: float
    inside: FloatArray
    centre_part: FloatArray
    rim_part: FloatArray
    outside: FloatArray


OUT_OF_ROUND, OUT_OF_ROUND_SCALE = 0.3, 0.025
SHADOW_LEVEL = 0.7
CONTACT_SHADOW = 0.08
SHADOW_SHARE = 0.35
BLEND_REACH, BLEND_MERIT = 0.02, 0.05
OFF_CENTRE = 0.03
TWO_METALS, OUTER_SUPPORT_FAR = 0.15, 0.42
OUTER_SUPPORT = 0.64  # an outer ring needs this much of the inner one's support
TOUCH = 0.010  # rings closer than this share an edge
CRESCENT_SHARE = 0.4
MIN_COVERAGE = 0.55
MAX_RESIDUAL = 0.015
"""RMS distance of an outline from its ellipse over half its long axis, beyond 0.4 px. A coin seen
from an angle is an ellipse and a bit of wall: a clear one at 15 degrees reaches 0.011."""
MIN_AXIS_RATIO = 0.76
REFINE_ANGLES = 180
REFINE_BANDS = (0.020, 0.012)


def outline_ring(rings: list[Ring], around: Surround) -> Ring | None:
    """Pick the ring that bounds the disc: neither its relief nor its shadow.

    Rings within one another all around are steps of the same disc: an outer
    one with enough support counts. Rings that share an edge on one side and
    part on the other are disc and shadow, or upper and lower rim, or mixtures:
    the better supported and rounder one counts.
    """
    if not rings:
        return None
    chosen = max(rings, key=_merit)
    while True:
        outer = [
            ring
            for ring in rings
            if float((ring.radius - chosen.radius > TOUCH).mean()) > 1 - CRESCENT_SHARE
            and _concentric(chosen, ring)
            and ring.support >= _needed(chosen, ring) * chosen.support
            and not _is_shadow(chosen, ring, around)
        ]
        if not outer:
            return _blend(chosen, rings)
        chosen = max(outer, key=_merit)


def _concentric(inner: Ring, outer: Ring) -> bool:
    """Whether two rings could be of one disc: a neighbour or a shadow moves the middle."""
    off = outer.coefficients[1:3] - inner.coefficients[1:3]
    return float(np.hypot(*off)) < OFF_CENTRE * float(outer.coefficients[0])


def _needed(inner: Ring, outer: Ring) -> float:
    """Share of the inner ring's support that an outer one needs: less across a metal ring."""
    return OUTER_SUPPORT_FAR if _far(inner, outer) else OUTER_SUPPORT


def _far(inner: Ring, outer: Ring) -> bool:
    """Whether rings are as far apart as the joint of two metals is from the outline."""
    gap = float(np.mean(outer.radius - inner.radius) / np.mean(inner.radius))
    return gap > TWO_METALS


def _blend(chosen: Ring, rings: list[Ring]) -> Ring:
    """The mean of a ring and its near rivals, weighted by merit.

    Rim, bevel and contact shadow lie within 2 % of the radius; where no ring is
    clearly best a mean errs less than a pick.
    """
    rivals = [
        ring for ring in rings if float(np.abs(ring.radius - chosen.radius).mean()) < BLEND_REACH
    ]
    weight = np.exp([(_merit(ring) - _merit(chosen)) / BLEND_MERIT for ring in rivals])
    weight = np.minimum(weight, 1.0)
    return replace(
        chosen,
        coefficients=np.average([r.coefficients for r in rivals], axis=0, weights=weight),
        radius=np.average([r.radius for r in rivals], axis=0, weights=weight),
    )


def _is_shadow(inner: Ring, outer: Ring, around: Surround) -> bool:
    """Whether between two rings lies the table in shadow: its colour, but darker."""
    if float(np.mean(outer.radius - inner.radius)) > CONTACT_SHADOW:
        return False
    level = around.band(around.level, inner.radius, outer.radius)
    table = level < around.table_level + np.log(SHADOW_LEVEL)
    if around.tells > 0.3:
        table &= around.band(around.metal, inner.radius, outer.radius) < 0.5
    width = np.maximum(outer.radius - inner.radius, 0.0)
    return bool(np.average(table, weights=width + 1e-9) > SHADOW_SHARE)


def _merit(ring: Ring) -> float:
    """Support less a small charge for being out of round: photos are taken from above."""
    charge = OUT_OF_ROUND * (1 - float(np.exp(-2 * _stretch(ring) / OUT_OF_ROUND_SCALE)))
    return ring.support + PARTS_WEIGHT * ring.parts - charge


def _colours(crop: Crop, radius: FloatArray) -> FloatArray:
    """``(angles, 3)`` linear light of a standard crop at a radius of each angle."""
    t = np.linspace(0, 2 * pi, len(radius), endpoint=False)
    r = np.minimum(radius * crop.radius_px, crop.centre_px - 1)
    x = np.rint(crop.centre_px + r * np.cos(t)).astype(int)
    y = np.rint(crop.centre_px + r * np.sin(t)).astype(int)
    light: FloatArray = to_linear(crop.image[y, x]).astype(np.float64)
    return light


def ring_to_ellipse(ring: Ring, candidate: Candidate) -> Ellipse:
    """The ellipse of a ring, on the photo."""
    c0, c1, s1, c2, s2 = (float(v) for v in ring.coefficients)
    e = min(float(np.hypot(c2, s2)), 0.2 * c0)
    return Ellipse(
        centre_px=(candidate.x + c1 * candidate.r, candidate.y + s1 * candidate.r),
        major_px=2 * candidate.r * (c0 + e),
        minor_px=2 * candidate.r * (c0 - e),
        angle_deg=float(np.degrees(0.5 * np.arctan2(s2, c2))),
    )


def refine(rgb: Image, start: Ellipse) -> tuple[EllipseFit, float] | None:
    """Fit the outline at full resolution in linear light; also how much of it was seen."""
    ellipse, fit, coverage = start, None, 0.0
    half_w, half_h = start.half_extent_px()
    margin = 1.0 + REFINE_BANDS[0] + 0.04
    x0 = max(0, int(start.centre_px[0] - half_w * margin) - 4)
    y0 = max(0, int(start.centre_px[1] - half_h * margin) - 4)
    x1 = min(rgb.shape[1], int(start.centre_px[0] + half_w * margin) + 5)
    y1 = min(rgb.shape[0], int(start.centre_px[1] + half_h * margin) + 5)
    if x1 - x0 < 12 or y1 - y0 < 12:
        return None
    light = to_linear(np.ascontiguousarray(rgb[y0:y1, x0:x1]))
    t = np.linspace(0, 2 * pi, REFINE_ANGLES, endpoint=False)
    for band in REFINE_BANDS:
        reach = max(2.5, band * 0.5 * ellipse.major_px)
        offsets = np.arange(-reach - 2, reach + 2.01, 0.5)
        points, normals = ellipse.at(t), ellipse.normals(t)
        x = (points[:, 0, None] + normals[:, 0, None] * offsets - x0).astype(np.float32)
        y = (points[:, 1, None] + normals[:, 1, None] * offsets - y0).astype(np.float32)
        profile = cv2.remap(light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        offset, seen = _nearest_edge(profile, offsets, reach)
        if seen.sum() < 0.4 * REFINE_ANGLES:
            return None
        edges = points[seen] + normals[seen] * offset[seen, None]
        fit = fit_ellipse(edges, start=ellipse, sigma_floor_px=max(0.1, 0.0015 * reach))
        if fit is None or not 0.8 < fit.ellipse.major_px / start.major_px < 1.25:
            return None
        ellipse = fit.ellipse
        coverage = float(seen.mean()) * fit.kept
    assert fit is not None
    return fit, coverage


def _nearest_edge(
    profile: Float32Array, offsets: FloatArray, reach: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Where each outward profile has its clearest edge near the ring, and whether it has one."""
    kernel = np.array([[1, 2, 2, 2, 1]], np.float32) / 8  # smooth over 2 px, then difference
    smooth: Float32Array = np.asarray(cv2.filter2D(profile, -1, kernel), dtype=np.float32)
    step = np.zeros((len(smooth), len(offsets)))
    step[:, 1:-1] = np.sqrt(((smooth[:, 2:] - smooth[:, :-2]) ** 2).sum(axis=-1))
    step *= (np.abs(offsets) <= reach)[None, :]
    merit = step * np.exp(-0.5 * (offsets / (0.5 * reach)) ** 2)
    is_peak = np.zeros_like(step, dtype=bool)
    is_peak[:, 1:-1] = (step[:, 1:-1] >= step[:, :-2]) & (step[:, 1:-1] > step[:, 2:])
    merit[~is_peak] = 0
    best = np.clip(merit.argmax(axis=1), 1, step.shape[1] - 2)
    rows = np.arange(len(step))
    strength = step[rows, best]
    seen = (merit[rows, best] > 0) & (strength > 0.2 * np.median(strength))
    left, right = step[rows, best - 1], step[rows, best + 1]
    bend = left - 2 * strength + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1), 0.0)
    return offsets[best] + (offsets[1] - offsets[0]) * shift, seen


def _in_frame(ellipse: Ellipse, rgb: Image) -> bool:
    half_w, half_h = ellipse.half_extent_px()
    x, y = ellipse.centre_px
    height, width = rgb.shape[:2]
    return bool(
        x - half_w >= 1 and y - half_h >= 1 and x + half_w <= width - 2 and y + half_h <= height - 2
    )


def _describe(crop: Crop, ring: Ring) -> dict[str, FloatArray]:
    """Mean colours of the parts of a disc and of the table around it."""

    def part(low: float, high: float) -> FloatArray:
        shares = np.linspace(low, high, 7)
        return np.vstack([_colours(crop, ring.radius * share) for share in shares])

    return {
        "inside": np.mean(part(0.0, 0.94), axis=0),
        "centre_part": np.mean(part(0.0, 0.55), axis=0),
        "rim_part": np.mean(part(0.76, 0.94), axis=0),
        "outside": np.median(part(1.06, 1.16), axis=0),
    }


def find_discs(rgb: Image, *, places: Sequence[Place] = ()) -> tuple[Disc, ...]:
    """Return all coin-like discs on a photo, whole in the frame, best first.

    Args:
        rgb: ``(h, w, 3)`` uint8 sRGB.
        places: Where they may lie. Elsewhere is looked if none of them shows one, or if
            one is not round: coins that touch make one patch.
    """
    discs: list[Disc] = []
    if all(place.is_round for place in places):
        hinted = [
            Candidate(x=place.centre_px[0], y=place.centre_px[1], r=place.radius_px, votes=1.0)
            for place in places
        ]
        discs = _discs_of(rgb, hinted, least_support=PLACED_SUPPORT)
    if not discs:
        candidates: list[Candidate] = []
        for scale, image in _octaves(rgb):
            candidates += _coarse(scale, image, _vote(image))
        discs = _discs_of(rgb, candidates)
    return tuple(sorted(discs, key=lambda d: -d.coverage))


def _discs_of(
    rgb: Image, candidates: list[Candidate], *, least_support: float = DISC_SUPPORT
) -> list[Disc]:
    discs: list[Disc] = []
    best = _merge(candidates)[:DISCS_TRIED]
    for candidate in sorted(best, key=lambda c: -c.r):
        if any(_inside(candidate, disc) for disc in discs):
            continue
        disc = _outline(rgb, candidate, least_support=least_support)
        if disc is not None and not any(_same(disc, other) for other in discs):
            discs.append(disc)
    return discs


def _outline(rgb: Image, candidate: Candidate, *, least_support: float) -> Disc | None:
    """Find the disc around a candidate, fit its outline and describe it."""
    placed = _place(rgb, candidate, least_support=least_support)
    if placed is None:
        return None
    candidate, ring, crop = placed
    start = ring_to_ellipse(ring, candidate)
    refined = refine(rgb, start) if _in_frame(start, rgb) else None
    if refined is None:
        return None
    fit, coverage = refined
    ellipse = fit.ellipse
    if (
        coverage < MIN_COVERAGE
        or ellipse.axis_ratio < MIN_AXIS_RATIO
        or fit.residual_px > MAX_RESIDUAL * 0.5 * ellipse.major_px + 0.4
        or not _in_frame(ellipse, rgb)
    ):
        return None
    parts = _describe(crop, ring)
    return Disc(fit=fit, coverage=coverage, **parts)


def _place(
    rgb: Image, candidate: Candidate, *, least_support: float
) -> tuple[Candidate, Ring, Crop] | None:
    """The ring that bounds the disc of a candidate, first at low, then at full resolution."""
    crop = crop_disc(rgb, candidate, radius_px=WIDE_RADIUS_PX, reach=1.75)
    rings, around = rings_of(
        crop, span=WIDE_RANGE, tolerance=WIDE_TOLERANCE, spans=WIDE_SPANS, sets=WIDE_SETS
    )
    if max((ring.support for ring in rings), default=0.0) < least_support:
        return None
    ring = outline_ring(rings, around)
    for _ in range(2):
        if ring is None:
            return None
        candidate = _recentred(candidate, ring)
        crop = crop_disc(rgb, candidate, radius_px=FINE_RADIUS_PX, reach=1.3)
        rings, around = rings_of(
            crop, span=FINE_RANGE, tolerance=FINE_TOLERANCE, spans=FINE_SPANS, sets=FINE_SETS
        )
        ring = outline_ring(rings, around)
        if ring is not None and abs(float(ring.coefficients[0]) - 1) < MOVED:
            break
    return None if ring is None else (candidate, ring, crop)


def _recentred(candidate: Candidate, ring: Ring) -> Candidate:
    """The candidate moved and sized to a ring."""
    c = ring.coefficients
    return Candidate(
        x=candidate.x + float(c[1]) * candidate.r,
        y=candidate.y + float(c[2]) * candidate.r,
        r=candidate.r * float(c[0]),
        votes=candidate.votes,
    )


def _inside(candidate: Candidate, disc: Disc) -> bool:
    """Whether a candidate is part of a disc already outlined: its relief or inner metal."""
    ellipse = disc.fit.ellipse
    away = float(ellipse.distance_px(np.array([[candidate.x, candidate.y]]))[0])
    return away < -0.15 * ellipse.major_px and 2 * candidate.r < 1.02 * ellipse.major_px


def _same(disc: Disc, other: Disc) -> bool:
    a, b = disc.fit.ellipse, other.fit.ellipse
    apart = float(np.hypot(a.centre_px[0] - b.centre_px[0], a.centre_px[1] - b.centre_px[1]))
    return apart < 0.35 * (a.major_px + b.major_px) / 2
