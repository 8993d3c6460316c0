"""The picture that the person taps: a part of the photo, with the points placed so far."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from app.web.grade.tapping import Box, Point
from vision.photo.loading import load_photo_file
from vision.types import Image

LONG_SIDE_PX = 1000
_RIM, _INK = (24, 24, 28), (255, 255, 255)


def tap_picture(path: Path, view: Box, points: Sequence[Point]) -> Image:
    """Return a part of a photo, at most 1000 px long, with a cross at each point.

    Raises:
        PhotoError: The photo can't be read.
    """
    x, y, w, h = view
    crop = load_photo_file(path).rgb[y : y + h, x : x + w]
    factor = max(w, h) / LONG_SIDE_PX
    size = (max(1, round(w / factor)), max(1, round(h / factor)))
    method = cv2.INTER_AREA if factor > 1 else cv2.INTER_CUBIC
    canvas = np.ascontiguousarray(cv2.resize(crop, size, interpolation=method), dtype=np.uint8)
    for name, (px, py) in zip("AB", points, strict=False):
        at = (round((px - x + 0.5) / factor - 0.5), round((py - y + 0.5) / factor - 0.5))
        if not (0 <= at[0] < size[0] and 0 <= at[1] < size[1]):
            continue
        for colour, thickness in ((_RIM, 7), (_INK, 3)):
            cv2.drawMarker(canvas, at, colour, cv2.MARKER_CROSS, 44, thickness, cv2.LINE_AA)
            cv2.putText(
                canvas,
                name,
                (at[0] + 16, at[1] - 16),
                cv2.FONT_HERSHEY_SIMPLEX,
                1.1,
                colour,
                thickness,
                cv2.LINE_AA,
            )
    return canvas
