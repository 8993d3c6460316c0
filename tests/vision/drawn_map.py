"""A surface map as a network would give it, for tests that only need one."""

from __future__ import annotations

import numpy as np

from vision.types import Photo, Surface, SurfaceMap


def map_over(photo: Photo, surface: Surface = Surface.BRIGHT) -> SurfaceMap:
    """Return a map that takes the whole photo for one surface, nothing strange on it."""
    h, w = max(1, photo.height_px // 4), max(1, photo.width_px // 4)
    p = np.zeros((len(Surface), h, w), np.float32)
    p[list(Surface).index(surface)] = 1.0
    nothing = np.zeros((h, w), np.float32)
    return SurfaceMap(
        p=p,
        tarnish_level=nothing,
        box_px=(0, 0, photo.width_px, photo.height_px),
        outline=np.zeros((2, 4 * h, 4 * w), np.float32),
    )
