"""What does the photo show across a line, and where are the edges?

Profiles are samples along straight cuts across a centre line, in linear light: a
sub-pixel edge found on sRGB codes sits 0.15 to 0.4 px off. Together they make the
straightened picture of the piece, from which edges can be read for many cuts at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, log2

import cv2
import numpy as np

from vision.photo.colour import linear_between, to_linear
from vision.photo.reduced import halved
from vision.pieces.centreline import CentreLine
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
    values = linear_between(photo.rgb, points_px)
    x, y = points_px[..., 0], points_px[..., 1]
    values[(x < 0) | (y < 0) | (x > photo.width_px - 1) | (y > photo.height_px - 1)] = np.nan
    return values


def quickly_at(photo: Photo, points_px: FloatArray, *, step_px: float) -> Float32Array:
    """Return the same to about 1 %, nine times as quick: for looks, not for edges.

    Interpolated between codes, in a halved copy of the photo where the points lie two
    and more pixels apart; off the photo its border goes on.

    Args:
        photo: The photo.
        points_px: ``(n, m, 2)``.
        step_px: Distance between neighbouring points.
    """
    times = max(0, floor(log2(max(step_px, 1.0))))
    copy, factor = halved(photo.rgb, at_most_px=ceil(max(photo.rgb.shape[:2]) / 2**times))
    at = ((points_px + 0.5) / factor - 0.5).astype(np.float32)
    codes = cv2.remap(
        copy, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return to_linear(np.asarray(codes, dtype=np.uint8))


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
