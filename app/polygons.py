"""Outlines for people and files: few points, close to the measured ones."""

from __future__ import annotations

import cv2
import numpy as np

from vision.types import FloatArray

MOST_OUTLINE_POINTS = 400
"""So that an outline takes at most 7 kB of JSON."""


def simple_outline(outline_px: FloatArray, *, tolerance_px: float = 1.0) -> FloatArray:
    """Return an outline with fewer points, nowhere further off than told; ``(n, 2)``.

    The tolerance doubles until at most 400 points are left.

    >>> along = np.arange(100.0)
    >>> square = [(x, 0) for x in along] + [(99, y) for y in along] + [(0, 99)]
    >>> simple_outline(np.array(square)).tolist()
    [[0.0, 0.0], [99.0, 0.0], [99.0, 99.0], [0.0, 99.0]]
    """
    points = np.asarray(outline_px, np.float32).reshape(-1, 1, 2)
    if len(points) < 3:
        return np.asarray(points.reshape(-1, 2), dtype=np.float64)
    while True:
        simple = cv2.approxPolyDP(points, tolerance_px, closed=True)
        if len(simple) <= MOST_OUTLINE_POINTS:
            return np.asarray(simple.reshape(-1, 2), dtype=np.float64)
        tolerance_px *= 2
