"""Smaller copies of a photo, each made once however many steps ask for it.

Averaging 12 megapixels down to an odd size takes 30 to 60 ms, halving them 3 ms (two
cores), and nearly every step looks at a small copy first. So a photo is halved as often
as a copy allows, the rest is averaged from that half, and what was made is kept as long
as the photo's pixels are.
"""

from __future__ import annotations

import weakref

import cv2
import numpy as np

from vision.types import Image

Size = tuple[int, int]
"""``(width, height)`` in pixels, as OpenCV has it."""

_kept: dict[int, tuple[weakref.ref[Image], dict[Size, Image]]] = {}


def reduced(rgb: Image, long_side_px: int) -> tuple[Image, float]:
    """Return a copy at most ``long_side_px`` long and its factor (full px per px).

    Each pixel of the copy is the mean of those it covers, to half a pixel of the next larger
    halved copy.

    Args:
        rgb: ``(height, width, 3)`` or ``(height, width)`` uint8.
        long_side_px: A picture no longer than this is returned as it is.

    >>> small, factor = reduced(np.zeros((3000, 4000, 3), np.uint8), 1000)
    >>> small.shape, factor
    ((750, 1000, 3), 4.0)
    """
    factor = max(rgb.shape[:2]) / long_side_px
    if factor <= 1:
        return rgb, 1.0
    return resized(rgb, (round(rgb.shape[1] / factor), round(rgb.shape[0] / factor))), factor


def halved(rgb: Image, *, at_most_px: int) -> tuple[Image, float]:
    """Return a copy halved until it is at most so long, and its factor: the cheapest copy.

    Longer where a side is odd, since half a pixel has no place.
    """
    height, width = rgb.shape[:2]
    factor = 1.0
    while max(width, height) > at_most_px and width % 2 == 0 and height % 2 == 0:
        width, height, factor = width // 2, height // 2, 2 * factor
    return resized(rgb, (width, height)), factor


def resized(rgb: Image, size: Size) -> Image:
    """Return a smaller copy of this ``(width, height)``.

    It is kept where ``rgb`` is a whole picture that can't change, as ``load_photo`` gives.
    """
    copies = _copies_of(rgb)
    image = rgb
    while size != image.shape[1::-1]:
        step = _next(image, size)
        if step not in copies:
            copies[step] = _averaged(image, step)
        image = copies[step]
    return image


def _next(image: Image, size: Size) -> Size:
    """Half of the picture where that is not yet smaller than what is wanted, else that."""
    height, width = image.shape[:2]
    even = width % 2 == 0 and height % 2 == 0
    return (
        (width // 2, height // 2)
        if even and width // 2 >= size[0] and height // 2 >= size[1]
        else size
    )


def _averaged(image: Image, size: Size) -> Image:
    small = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    small.flags.writeable = False
    return small


def _copies_of(rgb: Image) -> dict[Size, Image]:
    """Return where copies of this picture are kept; somewhere new where they can't be."""
    if rgb.flags.writeable or isinstance(rgb.base, np.ndarray):
        return {}
    key = id(rgb)
    found = _kept.get(key)
    if found is not None and found[0]() is rgb:
        return found[1]
    copies: dict[Size, Image] = {}
    _kept[key] = (weakref.ref(rgb, lambda _: _kept.pop(key, None)), copies)
    return copies
