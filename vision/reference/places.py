"""Where the surface network sees a reference object, before anybody measures it.

Only a hint of where to look: sizes and outlines come from the edges of the photo
(:mod:`vision.reference.card.finding`, :mod:`vision.reference.coin.discs`). On 132
rendered photos the network's patch overlapped the card's or coin's true outline by 0.8 and more
each time, with light and table as they come, so a look there is both quicker and surer than
one everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import cv2
import numpy as np

from vision.types import Surface, SurfaceMap

REFERENCE_P = 0.5

MIN_CELLS = 12
"""A patch of fewer cells of the map is a speck; a coin of 60 px on 12 megapixels has 11."""

ROUND_FILL = (0.62, 0.90)
"""A disc fills pi / 4 = 0.785 of its box."""

ROUND_ASPECT = 1.7
"""Sides of a disc's box under 35 degrees of tilt differ by 1.22, and by a cell or two."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A patch that looks like a reference.

    Attributes:
        box_px: ``(x, y, w, h)`` on the photo.
        centre_px: ``(x, y)`` of its area.
        area_px: Photo pixels it covers.
    """

    box_px: tuple[float, float, float, float]
    centre_px: tuple[float, float]
    area_px: float

    @property
    def is_round(self) -> bool:
        """Whether it may be a coin."""
        _, _, w, h = self.box_px
        low, high = ROUND_FILL
        return max(w, h) < ROUND_ASPECT * min(w, h) and low < self.area_px / (w * h) < high

    @property
    def radius_px(self) -> float:
        """Of the disc with the same area."""
        return float(np.sqrt(self.area_px / pi))


def reference_places(surface: SurfaceMap) -> tuple[Place, ...]:
    """Return the patches that look like a reference, largest first.

    Args:
        surface: The network's map over the whole photo.
    """
    p = surface.p[list(Surface).index(Surface.REFERENCE)]
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        (p > REFERENCE_P).astype(np.uint8), connectivity=4
    )
    rows, columns = p.shape
    left, top, width, height = surface.box_px
    across, down = width / columns, height / rows
    found = []
    for number in range(1, count):
        x, y, w, h, cells = (int(v) for v in stats[number])
        if cells < MIN_CELLS:
            continue
        # A cell counts by its probability: the border runs through the half sure ones.
        near = (slice(max(0, y - 1), y + h + 1), slice(max(0, x - 1), x + w + 1))
        own = cv2.dilate((labels[near] == number).astype(np.uint8), np.ones((3, 3), np.uint8))
        weight = p[near] * own
        total = float(weight.sum())
        rows_at, columns_at = np.indices(weight.shape)
        middle_x = float((weight * columns_at).sum()) / total + near[1].start
        middle_y = float((weight * rows_at).sum()) / total + near[0].start
        found.append(
            Place(
                box_px=(left + x * across, top + y * down, w * across, h * down),
                centre_px=(
                    left + (middle_x + 0.5) * across - 0.5,
                    top + (middle_y + 0.5) * down - 0.5,
                ),
                area_px=total * across * down,
            )
        )
    return tuple(sorted(found, key=lambda place: -place.area_px))
