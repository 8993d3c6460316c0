"""Flat discs and rings of known size on a plain table, anti-aliased, without a camera."""

from __future__ import annotations

import cv2
import numpy as np

from vision.types import Image

TABLE, METAL, RING = (200, 196, 188), (150, 112, 62), (170, 168, 160)
FINER = 4


def disc_photo(
    *,
    at: tuple[float, float] = (203.0, 148.0),
    radius_px: float = 60.0,
    inner_px: float = 0.0,
    seam_px: float = 0.0,
    size: tuple[int, int] = (400, 300),
    noise: float = 1.5,
) -> Image:
    """A disc; ``inner_px`` gives it a middle of another metal, ``seam_px`` a dark seam around."""
    image = np.full((size[1] * FINER, size[0] * FINER, 3), TABLE, np.uint8)
    rings = [(radius_px + seam_px, (60, 58, 55)), (radius_px, RING if inner_px else METAL)]
    for radius, colour in [*rings, (inner_px, METAL)]:
        middle = [round(((c + 0.5) * FINER - 0.5) * 16) for c in at]
        if radius > 0:
            cv2.circle(image, middle, round(radius * FINER * 16), colour, -1, cv2.LINE_AA, 4)
    small = cv2.resize(image, size, interpolation=cv2.INTER_AREA).astype(float)
    small += np.random.default_rng(1).normal(0, noise, small.shape)
    return np.clip(np.rint(small), 0, 255).astype(np.uint8)
