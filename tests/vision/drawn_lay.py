"""Twisted cable as drawn strips: concentric lays of exact geometry.

The geometry is the definition of a concentric lay (6 more wires in each layer, as in
ASTM B8 and IEC 60228 class 2); the drawn light is ours.
"""

from __future__ import annotations

import cv2
import numpy as np


def mean_silhouette(layers: int) -> float:
    """Return the mean seen width of a concentric lay over its circumscribed diameter.

    The outline is scalloped: it touches the circle only where a wire stands at the
    very side. Averaged over the turn of the helix, with ``6 k`` wires.
    """
    half_step = np.pi / (6 * layers)
    axis_radius = 2.0 * layers  # in wire radii; the circle has 2 k + 1
    return (axis_radius * np.sin(half_step) / half_step + 1) / (2 * layers + 1)


def strand_from_bundle(layers: int) -> float:
    """Return the strand's diameter as a share of the bundle's mean seen width."""
    return 1 / ((2 * layers + 1) * mean_silhouette(layers))


def drawn_lay(
    layers: int,
    *,
    diameter_px: float,
    lay_ratio: float,
    seed: int,
    hand: int = 1,
    length_diameters: float = 24,
) -> np.ndarray:
    """Draw a straightened strip of a concentric lay; 0 layers is one solid wire."""
    rng = np.random.default_rng(seed)
    columns = int(diameter_px * 1.2) | 1
    across = np.arange(columns) - (columns - 1) / 2
    along = np.arange(int(length_diameters * diameter_px))[:, None]
    shape = (len(along), columns)
    count = 6 * layers if layers else 1
    wire = diameter_px / (2 * layers + 1) / 2
    axis = 2 * layers * wire
    top, slope = np.full(shape, -np.inf), np.zeros(shape)
    for number in range(count):
        turn = 2 * np.pi * (hand * along / (lay_ratio * diameter_px) + number / count)
        offset = (across - axis * np.sin(turn)) / wire
        rise = np.sqrt(np.clip(1 - offset**2, 0, 1))
        height = np.where(np.abs(offset) < 1, axis * np.cos(turn) + wire * rise, -np.inf)
        slope = np.where(height > top, offset, slope)
        top = np.maximum(top, height)
    lamp = rng.uniform(-0.6, 0.6)
    facing = np.clip(
        slope * lamp + np.sqrt(np.clip(1 - slope**2, 0, 1)) * np.sqrt(1 - lamp**2), 0, 1
    )
    light = np.where(np.isfinite(top), 0.08 + 0.5 * facing + 0.4 * facing**20, 0.3)
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), 1.0)
    return light + rng.normal(0, 0.01, shape).astype(np.float32)
