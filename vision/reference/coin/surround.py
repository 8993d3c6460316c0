"""What colours lie inside and outside of a ring, and which edge is only a shadow's?"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo.colour import to_linear
from vision.types import Float32Array, FloatArray, Image

Spans = tuple[tuple[float, ...], tuple[float, ...]]
MISSING = 1e3  # radius of an edge that is not there
# Chosen on drawn and rendered coins. On 22 real coins (bench.coins' photos, cut out) none of these
# counts alone: taken as 0.7 or 1.4 of it, the scatter stays at 1.1 to 1.5 % (1.3 as it is).
SHADOW_STEP = 3  # samples either side of an edge
SHARP_AS, SHARP_RANGE, SHARP_LEAST = 0.9, 0.4, 0.2
SHADOW_TINT = 0.25
DARK = 0.02  # linear light under which colour is noise
CHROMA_NOISE = 0.12
STEP_WIDTH = 0.035  # of the radius
SHADOW_DEPTH = 2.5  # log of linear light: a twelfth


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Start:
    """Where a disc may lie: middle and radius, photo pixels."""

    x: float
    y: float
    r: float


def polar_samples(
    image: Image, middle_px: float, radius_px: float, angles: int, reach: FloatArray
) -> Float32Array:
    """``(angles, samples, 3)`` colours along the rays from the middle of a square image."""
    t = np.linspace(0, 2 * pi, angles, endpoint=False)[:, None]
    x = (middle_px + radius_px * reach * np.cos(t)).astype(np.float32)
    y = (middle_px + radius_px * reach * np.sin(t)).astype(np.float32)
    sampled = cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    polar: Float32Array = sampled.astype(np.float32)
    return polar


def _logs(codes: NDArray[np.uint8]) -> FloatArray:
    """``(n, 3)`` logs of the linear light of ``(..., 3)`` codes, in a row."""
    logs: FloatArray = np.log(to_linear(codes.reshape(1, -1, 3))[0].astype(np.float64) + DARK)
    return logs


def _chroma(logs: FloatArray) -> FloatArray:
    """Log ratios red over green and blue over green of linear light: shadow keeps them."""
    return logs[:, [0, 2]] - logs[:, [1]]


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


def look_around(crop: Crop, polar: Float32Array, reach: FloatArray, spans: Spans) -> Surround:
    """Colour models of disc and table from where each surely is, and the rays judged by them.

    The disc: normal in both chromaticities and in level. The table: normal in
    chromaticity; its level is that of the lit table or, in shadow, anything darker.
    """
    at = np.array([*spans[0], *spans[1]])
    ring = polar_samples(crop.image, crop.centre_px, crop.radius_px, 60, at).astype(np.uint8)
    return surround_of(polar, reach, ring[:, : len(spans[0])], ring[:, len(spans[0]) :])


def surround_of(polar: Float32Array, reach: FloatArray, inside: Image, outside: Image) -> Surround:
    """The same from codes that are surely the disc's, and such as are the table's."""
    logs, own, other = (_logs(codes) for codes in (polar.astype(np.uint8), inside, outside))
    disc, table = _normal(_chroma(own)), _normal(_chroma(other))
    disc_level, table_level = _spread(own.mean(axis=1), 0.25), _spread(other.mean(axis=1), 0.06)
    colour, level = _chroma(logs), logs.mean(axis=1)
    lit = np.exp(-0.5 * ((level - table_level[0]) / table_level[1]) ** 2)
    lit /= table_level[1] * np.sqrt(2 * pi)
    below = table_level[0] - level
    shade = ((below > 0.05) & (below < SHADOW_DEPTH)) / SHADOW_DEPTH
    metal = _probability(
        _log_normal(colour, disc)
        - 0.5 * ((level - disc_level[0]) / disc_level[1]) ** 2
        - np.log(disc_level[1] * np.sqrt(2 * pi))
        - _log_normal(colour, table)
        - np.log(0.5 * lit + 0.5 * shade + 1e-3)
    )

    def tint(colour: FloatArray) -> float:
        """Typical probability of metal by chromaticity alone, which shadow leaves as it is."""
        odds = _log_normal(colour, disc) - _log_normal(colour, table)
        return float(np.median(_probability(odds)))

    shape = polar.shape[:2]
    return Surround(
        reach=reach,
        metal=np.cumsum(metal.reshape(shape), axis=1),
        tells=max(0.0, tint(_chroma(own)) - tint(_chroma(other))),
        level=np.cumsum(level.reshape(shape), axis=1),
        table_level=table_level[0],
    )


def _probability(log_odds: FloatArray) -> FloatArray:
    probability: FloatArray = 1 / (1 + np.exp(-np.clip(log_odds, -8, 8)))
    return probability


def _log_normal(colour: FloatArray, model: tuple[FloatArray, FloatArray]) -> FloatArray:
    away = colour - model[0]
    squared = np.minimum(np.einsum("ni,ij,nj->n", away, model[1], away), 25.0)
    density: FloatArray = 0.5 * np.log(np.linalg.det(model[1])) - 0.5 * squared
    return density


def _spread(values: FloatArray, floor: float) -> tuple[float, float]:
    middle = float(np.median(values))
    return middle, max(floor, 1.4826 * float(np.median(np.abs(values - middle))))


def parting(radius: FloatArray, around: Surround) -> float:
    """How much more of the disc's colour lies just inside a ring than just outside."""
    inside = around.band(around.metal, radius - STEP_WIDTH, radius - 0.004)
    outside = around.band(around.metal, radius + 0.004, radius + STEP_WIDTH)
    return float(np.mean(inside - outside)) * around.tells


def shadow_like(polar: Float32Array, reach: FloatArray, radius: Float32Array) -> Float32Array:
    """1 where an edge could be the edge of a shadow: darker inwards, colour kept.

    Shadow takes the same share of red, green and blue; from metal to table the
    shares differ, and from shadow to a lit rim it grows brighter inwards.
    """
    at = np.rint((np.minimum(radius, reach[-1]) - reach[0]) / (reach[1] - reach[0])).astype(int)
    light = np.log(to_linear(polar.astype(np.uint8)) + 0.01)
    rows = np.arange(len(light))[:, None]

    def change(samples: int) -> FloatArray:
        """From so many samples inside of each edge to as many outside, each colour."""
        inner, outer = (
            light[rows, np.clip(at + k, 0, len(reach) - 1)] for k in (-samples, samples)
        )
        return np.asarray(outer - inner)

    ratio = -change(SHADOW_STEP)
    mean = ratio.mean(axis=-1)
    tinted = ratio.max(axis=-1) - ratio.min(axis=-1) >= 0.08 + SHADOW_TINT * np.abs(mean)
    shade = (mean < -0.05) & ~tinted
    near, wide = (np.abs(change(k)).mean(axis=-1) for k in (1, SHADOW_STEP + 1))
    sharpness = near / np.maximum(wide, 0.02)
    real = radius < MISSING
    metal = real[:, :2] & ~shade[:, :2]
    if not metal.any():
        return np.asarray(shade, dtype=np.float32)
    typical = float(np.median(sharpness[:, :2][metal]))
    softness: NDArray[np.floating[Any]] = np.clip(
        (SHARP_AS - sharpness / max(typical, 1e-3)) / SHARP_RANGE, SHARP_LEAST, 1.0
    )
    return np.asarray(shade * softness, dtype=np.float32)


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


def crop_disc(rgb: Image, start: Start, *, radius_px: float, reach: float) -> Crop:
    """Cut a candidate out, averaged down so that its radius is at most ``radius_px``."""
    zoom = max(1.0, start.r / radius_px)
    radius = start.r / zoom
    half = int(np.ceil(radius * reach)) + 3
    source, x, y = rgb, start.x, start.y
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
