"""Look at both edges of a piece's plain run once more, at the photo's own resolution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.centreline import CentreLine
from vision.edge_net import local_mean
from vision.profiles import linear_at
from vision.rim_net import SAMPLES, rim_logits, rim_offsets, rim_step_px
from vision.types import Float32Array, FloatArray, Photo

CUTS = 8
"""Cuts averaged in each stretch."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rims:
    """Both edges of some stretches.

    Attributes:
        left_px: ``(n, 2)`` photo points.
        right_px: ``(n, 2)`` photo points.
        widths_px: ``(k,)`` widths at even steps.
        width_logs: ``(n, k)`` log probability of each of these widths.
    """

    left_px: FloatArray
    right_px: FloatArray
    widths_px: FloatArray
    width_logs: FloatArray


def look_at_rims(
    photo: Photo, line: CentreLine, left_px: FloatArray, right_px: FloatArray
) -> Rims | None:
    """Return where the edges of neighbouring stretches are, from where they were found.

    Args:
        photo: The photo.
        line: Runs along the piece's middle.
        left_px: ``(n, 2)`` the edge on the side where the line's normals come from.
        right_px: ``(n, 2)`` the other.

    Returns:
        None where an edge lies off the photo.
    """
    middles = (left_px + right_px) / 2
    at = np.linalg.norm(line.points_px[:, None] - middles[None], axis=2).argmin(axis=0)
    normals = line.normals
    off_left = ((left_px - line.points_px[at]) * normals[at]).sum(axis=1)
    off_right = ((right_px - line.points_px[at]) * normals[at]).sum(axis=1)
    width = float(np.median(off_right - off_left))
    usual = np.median(np.diff(np.sort(at))) if len(at) > 1 else 1
    along = np.linspace(-0.5, 0.5, CUTS + 1)[:-1] + 0.5 / CUTS
    rows = at[:, None] + np.round(along * usual).astype(int)
    rows = np.clip(rows, 0, len(line.points_px) - 1)
    points, across = line.points_px[rows], normals[rows]
    left = _seen(photo, points + off_left[:, None, None] * across, across, width_px=width)
    right = _seen(photo, points + off_right[:, None, None] * across, -across, width_px=width)
    if not (np.isfinite(left).any(axis=(1, 2)) & np.isfinite(right).any(axis=(1, 2))).all():
        return None
    scores = rim_logits(left, right, width_px=width).astype(np.float64)
    p = np.exp(scores - scores.max(axis=2, keepdims=True))
    p /= p.sum(axis=2, keepdims=True)
    inward = [local_mean(side, rim_offsets(width)) for side in p]
    widths, logs = _width_logs(p, off_right - off_left, step_px=rim_step_px(width))
    return Rims(
        left_px=left_px + inward[0][:, None] * normals[at],
        right_px=right_px - inward[1][:, None] * normals[at],
        widths_px=widths,
        width_logs=logs,
    )


def _seen(photo: Photo, edge: FloatArray, inward: FloatArray, *, width_px: float) -> Float32Array:
    """Return ``(n, SAMPLES, 3)``: what stretches ``(n, CUTS, 2)`` of an edge show across it.

    Where samples are more than a pixel apart each is the mean of its share, as in
    :func:`vision.profiles.sample_at`.
    """
    step = rim_step_px(width_px)
    finer = int(np.ceil(step))
    parts = ((np.arange(finer) + 0.5) / finer - 0.5) * step
    offsets = (rim_offsets(width_px)[:, None] + parts[None]).ravel()
    n = len(edge)
    at = edge.reshape(-1, 1, 2) + offsets[None, :, None] * inward.reshape(-1, 1, 2)
    light = linear_at(photo, at).reshape(n, -1, SAMPLES, finer, 3)
    known = np.isfinite(light)
    total = np.where(known, light, 0).sum(axis=(1, 3), dtype=np.float32)
    count = known.sum(axis=(1, 3))
    mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return np.asarray(mean, dtype=np.float32)


def _width_logs(
    p: FloatArray, apart_px: FloatArray, *, step_px: float
) -> tuple[FloatArray, FloatArray]:
    """Return widths at even steps and how likely each is in each stretch, in logs.

    Args:
        p: ``(2, n, SAMPLES)`` of both edges, inward.
        apart_px: ``(n,)`` distance of the places where they were looked for.
        step_px: Distance of the samples.
    """
    # Both edges further in make the piece thinner: the sum of two places is what is lost.
    spectra = np.fft.rfft(p, 2 * SAMPLES, axis=2)
    lost = np.fft.irfft(spectra[0] * spectra[1], 2 * SAMPLES, axis=1)[:, : 2 * SAMPLES - 1]
    logs = np.log(np.maximum(lost, 1e-12))
    steps = np.arange(2 * SAMPLES - 1) - (SAMPLES - 1)
    grid = np.arange(0, float(apart_px.max()) + SAMPLES * step_px, step_px)
    rows = [
        np.interp(grid, apart - steps[::-1] * step_px, row[::-1], left=-27.6, right=-27.6)
        for apart, row in zip(apart_px, logs, strict=True)
    ]
    return grid, np.stack(rows)
