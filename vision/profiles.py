"""What does the photo show across a line, and where are the edges?

Profiles are samples along straight cuts across a centre line, in linear light: a
sub-pixel edge found on sRGB codes sits 0.15 to 0.4 px off. Together they make the
straightened picture of the piece, from which edges can be read for many cuts at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.centreline import CentreLine
from vision.colour import to_linear
from vision.types import Float32Array, FloatArray, Photo


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strip:
    """The straightened picture of a piece.

    Attributes:
        profiles: ``(n, m, 3)`` linear light, NaN off the photo.
        offsets_px: ``(m,)`` distance of each column from the line, along ``normals``.
        points_px: ``(n, 2)`` where each profile crosses the line.
        normals: ``(n, 2)`` unit vectors of increasing offset.
        step_px: Distance from column to column.
    """

    profiles: Float32Array
    offsets_px: FloatArray
    points_px: FloatArray
    normals: FloatArray
    step_px: float

    def at(self, offsets_px: FloatArray) -> FloatArray:
        """Return the ``(n, 2)`` photo points at one offset in each profile."""
        points: FloatArray = self.points_px + offsets_px[:, None] * self.normals
        return points


def sample_profiles(
    photo: Photo, line: CentreLine, *, half_length_px: float, step_px: float = 0.5
) -> Strip:
    """Return the profiles of a photo across a line, one at each of its points.

    Values between pixels are interpolated in linear light.

    Args:
        photo: The photo; only the pixels needed are converted.
        line: Its points are in photo pixels.
        half_length_px: Profiles reach this far to both sides.
        step_px: Distance between samples of a profile.
    """
    half = max(2, int(np.ceil(half_length_px / step_px)))
    return sample_at(photo, line, offsets_px=np.arange(-half, half + 1) * step_px)


def sample_at(photo: Photo, line: CentreLine, *, offsets_px: FloatArray) -> Strip:
    """Return the profiles across a line at these evenly spaced offsets.

    Where offsets are more than a pixel apart, each sample is the mean of its share of
    the profile, so that no pixel goes unseen.
    """
    step = float(offsets_px[1] - offsets_px[0])
    finer = int(np.ceil(step))
    parts = ((np.arange(finer) + 0.5) / finer - 0.5) * step
    normals = line.normals
    offsets = (offsets_px[:, None] + parts[None, :]).ravel()
    at = line.points_px[:, None, :] + offsets[None, :, None] * normals[:, None, :]
    values = linear_at(photo, at)
    if finer > 1:
        values = values.reshape(len(values), len(offsets_px), finer, 3).mean(axis=2)
    return Strip(
        profiles=values,
        offsets_px=offsets_px,
        points_px=line.points_px,
        normals=normals,
        step_px=step,
    )


def linear_at(photo: Photo, points_px: FloatArray) -> Float32Array:
    """Return linear RGB ``(n, m, 3)`` at ``(n, m, 2)`` points, bilinear; NaN off the photo."""
    x, y = points_px[..., 0], points_px[..., 1]
    off = (x < 0) | (y < 0) | (x > photo.width_px - 1) | (y > photo.height_px - 1)
    x0 = np.clip(np.floor(x), 0, photo.width_px - 2)
    y0 = np.clip(np.floor(y), 0, photo.height_px - 2)
    fx = np.clip(x - x0, 0, 1).astype(np.float32)[..., None]
    fy = np.clip(y - y0, 0, 1).astype(np.float32)[..., None]
    ix, iy = x0.astype(np.float32), y0.astype(np.float32)

    def corner(dx: int, dy: int) -> Float32Array:
        codes = cv2.remap(photo.rgb, ix + dx, iy + dy, cv2.INTER_NEAREST)
        return to_linear(np.asarray(codes, dtype=np.uint8))

    upper = corner(0, 0) * (1 - fx) + corner(1, 0) * fx
    lower = corner(0, 1) * (1 - fx) + corner(1, 1) * fx
    values: Float32Array = upper * (1 - fy) + lower * fy
    values[off] = np.nan
    return values


def averaged(strip: Strip, groups: int) -> Strip:
    """Return a strip of at most ``groups`` profiles, each the mean of its neighbours.

    Averaging along the piece keeps its edges and takes away the table's texture.
    A group that runs off the photo keeps what is on it.
    """
    n = len(strip.profiles)
    groups = min(groups, n)
    starts = np.linspace(0, n, groups + 1).astype(int)[:-1]
    counts = np.diff(np.append(starts, n))
    known = np.isfinite(strip.profiles)
    sums = np.add.reduceat(np.where(known, strip.profiles, 0), starts, axis=0)
    number = np.add.reduceat(known.astype(np.float32), starts, axis=0)
    profiles = np.where(number > 0, sums / np.maximum(number, 1), np.nan).astype(np.float32)
    points = np.add.reduceat(strip.points_px, starts, axis=0) / counts[:, None]
    normals = np.add.reduceat(strip.normals, starts, axis=0)
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    return Strip(
        profiles=profiles,
        offsets_px=strip.offsets_px,
        points_px=points,
        normals=normals,
        step_px=strip.step_px,
    )


def separating_colour(strip: Strip, *, radius_px: float) -> FloatArray:
    """Return the ``(3,)`` mix of linear R, G, B that best tells piece from table.

    Fisher's discriminant between the inner part of the piece and the table beyond
    its shadow. Highlights and shadows spread both along the lightness, so the mix
    turns towards what they leave alone: the colour. Positive towards the piece.
    """
    distance = np.abs(strip.offsets_px)
    inner = strip.profiles[:, distance < 0.7 * radius_px].reshape(-1, 3).astype(np.float64)
    outer = strip.profiles[:, distance > 1.5 * radius_px].reshape(-1, 3).astype(np.float64)
    inner, outer = (part[np.isfinite(part).all(axis=1)] for part in (inner, outer))
    if len(inner) < 8 or len(outer) < 8:
        return np.array([0.0, 1.0, 0.0])
    within = np.cov(inner.T) + np.cov(outer.T)
    # The floor keeps noise-free colours from being trusted without end.
    within += np.eye(3) * (1e-6 + 0.02 * np.trace(within) / 3)
    mix = np.linalg.solve(within, np.median(inner, axis=0) - np.median(outer, axis=0))
    return np.asarray(mix / max(float(np.abs(mix).sum()), 1e-12), dtype=np.float64)


def edge_positions(
    strip: Strip,
    *,
    radius_px: float,
    blur_px: float = 1.0,
    search: tuple[float, float] = (0.55, 1.6),
) -> FloatArray:
    """Return both edges of each profile, ``(n, 2)`` offsets in px; NaN where none stands out.

    The edge is where the best separating colour (:func:`separating_colour`) changes
    fastest towards the piece, between ``search`` times the half-width on each side.

    Args:
        strip: Profiles with the piece about their middle.
        radius_px: Expected half-width.
        blur_px: Sigma of the Gaussian whose derivative finds the change.
        search: Where to look, in half-widths from the middle.
    """
    mix = separating_colour(strip, radius_px=radius_px)
    # In linear light: on codes or logarithms blur would move the edge to the dark side.
    signal = strip.profiles.astype(np.float64) @ mix
    slope = _slope(signal, blur_px / strip.step_px)
    middle = np.abs(strip.offsets_px)
    allowed = (middle >= search[0] * radius_px) & (middle <= search[1] * radius_px)
    noise = 1.4826 * np.nanmedian(np.abs(slope[:, middle > 1.6 * radius_px]))
    edges = np.full((len(signal), 2), np.nan)
    for side, sign in ((0, 1.0), (1, -1.0)):
        columns = np.nonzero(allowed & (strip.offsets_px * sign < 0))[0]
        if len(columns) < 3:
            continue
        response = np.nan_to_num(sign * slope[:, columns], nan=-np.inf)
        best = np.clip(np.argmax(response, axis=1), 1, len(columns) - 2)
        rows = np.arange(len(signal))
        height = response[rows, best]
        before, after = response[rows, best - 1], response[rows, best + 1]
        with np.errstate(invalid="ignore", divide="ignore"):
            shift = 0.5 * (before - after) / (before - 2 * height + after)
        shift = np.where(np.isfinite(shift) & (np.abs(shift) <= 1), shift, 0)
        found = strip.offsets_px[columns[best]] + shift * strip.step_px
        edges[:, side] = np.where(np.isfinite(height) & (height > 3 * noise), found, np.nan)
    return edges


def _slope(signal: FloatArray, sigma: float) -> FloatArray:
    """Derivative of a Gaussian along each row; the ends are held."""
    half = int(np.ceil(3 * sigma))
    t = np.arange(-half, half + 1)
    kernel = -t / sigma**2 * np.exp(-0.5 * (t / sigma) ** 2)
    kernel /= np.sum(kernel * -t)
    padded = np.pad(signal, ((0, 0), (half, half)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1, axis=1)
    return np.asarray(windows @ kernel[::-1], dtype=np.float64)
