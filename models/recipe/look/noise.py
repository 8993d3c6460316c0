"""Seeded random fields that make surfaces look worn: clouds, scratches, spots."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]
Rng = np.random.Generator


def clouds(
    shape: tuple[int, int],
    *,
    rng: Rng,
    cell_px: tuple[float, float],
    octaves: int = 4,
    fall: float = 0.5,
    wrap_columns: bool = False,
) -> Field:
    """Return fractal value noise with mean 0 and standard deviation 1.

    Args:
        shape: Rows and columns.
        rng: Source of randomness.
        cell_px: Size of the coarsest cells, (rows, columns).
        octaves: Each halves the cells.
        fall: Amplitude of an octave relative to the one before.
        wrap_columns: Make the left and right edges meet (round a wire).
    """
    rows, columns = shape
    total = np.zeros(shape, np.float32)
    amplitude = 1.0
    for octave in range(octaves):
        cell_r, cell_c = cell_px[0] / 2**octave, cell_px[1] / 2**octave
        if max(cell_r, cell_c) < 1.0:
            break
        grid_r = int(min(max(2, round(rows / max(cell_r, 1.0)) + 1), rows + 2))
        grid_c = int(min(max(2, round(columns / max(cell_c, 1.0)) + 1), columns + 2))
        grid = rng.standard_normal((grid_r, grid_c)).astype(np.float32)
        if wrap_columns:
            pad = max(1, grid_c // 2)
            wide = np.concatenate([grid[:, -pad:], grid, grid[:, :pad]], axis=1)
            scale = columns / grid_c
            big = cv2.resize(
                wide, (round(wide.shape[1] * scale), rows), interpolation=cv2.INTER_CUBIC
            )
            start = round(pad * scale)
            big = big[:, start : start + columns]
            if big.shape[1] < columns:
                big = np.pad(big, ((0, 0), (0, columns - big.shape[1])), mode="edge")
        else:
            big = cv2.resize(grid, (columns, rows), interpolation=cv2.INTER_CUBIC)
        total += amplitude * big
        amplitude *= fall
    spread = float(total.std())
    return (total - total.mean()) / (spread if spread > 0 else 1.0)


def unit(field: Field) -> Field:
    """Map a field of mean 0 and deviation 1 to 0..1 with an even histogram, nearly."""
    return (0.5 * (1.0 + np.tanh(0.8 * field))).astype(np.float32)


def mask(field: Field, *, share: float, edge: float = 0.15) -> Field:
    """Return a 0..1 mask covering about ``share`` of the field, with soft edges."""
    if share <= 0:
        return np.zeros_like(field)
    if share >= 1:
        return np.ones_like(field)
    threshold = float(np.quantile(field[:: max(1, field.shape[0] // 256)], 1.0 - share))
    return np.clip((field - threshold) / edge + 0.5, 0, 1).astype(np.float32)


def scratches(shape: tuple[int, int], *, rng: Rng, count: int, length_px: float) -> Field:
    """Return thin random scratches, 0 none to 1."""
    canvas = np.zeros(shape, np.uint8)
    rows, columns = shape
    for _ in range(count):
        x, y = rng.uniform(0, columns), rng.uniform(0, rows)
        angle = rng.uniform(0, np.pi)
        reach = rng.exponential(length_px)
        bend = rng.normal(0, 0.1) * reach
        t = np.linspace(-0.5, 0.5, 6)
        px = x + reach * t * np.cos(angle) - bend * t * t * 4 * np.sin(angle)
        py = y + reach * t * np.sin(angle) + bend * t * t * 4 * np.cos(angle)
        line = np.stack([px, py], axis=1).astype(np.int32)
        level = int(rng.integers(80, 255))
        cv2.polylines(canvas, [line], False, level, 1, cv2.LINE_AA)
    return canvas.astype(np.float32) / 255.0


def spots(shape: tuple[int, int], *, rng: Rng, count: int, radius_px: tuple[float, float]) -> Field:
    """Return round soft spots, 0 none to 1 (rain marks, drops, dirt)."""
    canvas = np.zeros(shape, np.uint8)
    rows, columns = shape
    for _ in range(count):
        centre = (int(rng.uniform(0, columns)), int(rng.uniform(0, rows)))
        axes = np.maximum(1, rng.uniform(*radius_px, 2)).astype(int)
        cv2.ellipse(
            canvas,
            centre,
            (int(axes[0]), int(axes[1])),
            rng.uniform(0, 180),
            0,
            360,
            int(rng.integers(60, 255)),
            -1,
            cv2.LINE_AA,
        )
    return cv2.GaussianBlur(canvas, (0, 0), 1.0).astype(np.float32) / 255.0
