"""How are outlines and measured widths drawn, so that they show on any ground?"""

from __future__ import annotations

import cv2
import numpy as np

from vision.picture.tones import DARK, WHITE, Tone
from vision.pieces.centreline import resampled
from vision.types import FloatArray, Image

MOST_WIDTHS = 9
"""More measured widths than this are thinned out, so that the metal stays in view."""

DASH_PX, DOTS_PX = 14.0, 12.0
"""Length of a dash and of the gap behind it, and from dot to dot; by eye."""


def onto(points_px: FloatArray, factor: float) -> FloatArray:
    """Return photo points in shown pixels (pixel centres at whole numbers in both).

    Args:
        points_px: ``(n, 2)`` on the photo.
        factor: Photo pixels per shown pixel.
    """
    return np.asarray((np.asarray(points_px, np.float64) + 0.5) / factor - 0.5)


def corners_of(box_px: tuple[int, int, int, int], factor: float) -> FloatArray:
    """Return the corners of a box of the photo, ``(4, 2)`` in shown pixels."""
    x, y, w, h = box_px
    corners = [(x, y), (x + w - 1, y), (x + w - 1, y + h - 1), (x, y + h - 1)]
    return onto(np.array(corners, np.float64), factor)


def line(
    canvas: Image, points: FloatArray, tone: Tone, *, closed: bool = False, width_px: int = 2
) -> None:
    """Draw a smooth line with a dark rim."""
    fixed = np.round(points * 16).astype(np.int32).reshape(-1, 1, 2)
    for shade, thickness in ((DARK, 2 * width_px), (tone, width_px)):
        cv2.polylines(canvas, [fixed], closed, shade, thickness, cv2.LINE_AA, shift=4)


def dashed(
    canvas: Image, points: FloatArray, tone: Tone, *, closed: bool = True, width_px: int = 2
) -> None:
    """Draw a dashed line."""
    ring = np.concatenate([points, points[:1]]) if closed else points
    steps = resampled(ring, DASH_PX / 5)
    for start in range(0, len(steps), 10):
        line(canvas, steps[start : start + 6], tone, width_px=width_px)


def dotted(canvas: Image, points: FloatArray, tone: Tone) -> None:
    """Draw a closed line of small dots, fainter than any other."""
    ring = np.concatenate([points, points[:1]])
    for x, y in resampled(ring, DOTS_PX):
        at = (round(16 * x), round(16 * y))
        for shade, radius in ((DARK, 40), (tone, 26)):
            cv2.circle(canvas, at, radius, shade, -1, cv2.LINE_AA, shift=4)


def widths(canvas: Image, lines_px: FloatArray, factor: float) -> None:
    """Draw measured widths, ``(n, 2, 2)`` on the photo, as bars with ticks at their ends."""
    if not len(lines_px):
        return
    chosen = np.unique(np.linspace(0, len(lines_px) - 1, MOST_WIDTHS).round().astype(int))
    for ends in (onto(one, factor) for one in lines_px[chosen]):
        along = ends[1] - ends[0]
        length = float(np.hypot(*along))
        if length < 1e-6:
            continue
        across = np.array([-along[1], along[0]]) / length * 5
        line(canvas, ends, WHITE)
        for end in ends:
            line(canvas, np.stack([end - across, end + across]), WHITE)
