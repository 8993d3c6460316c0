"""Where do a card's corners, outline and walls lie, in mm and on the photo?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.reference.plane import UNIT_SQUARE, Plane
from vision.reference.references import (
    CARD_HEIGHT_MM,
    CARD_RADIUS_MM,
    CARD_THICKNESS_MM,
    CARD_WIDTH_MM,
)
from vision.types import FloatArray

EDGE_OF_PHOTO_PX = 2.0  # chosen; with 1 or 4 the scales of 13 rendered cards stay as they are
STRAIGHT_FROM_MM = 5.0  # corner radius at most 3.48 mm, and some room
MIN_SEEN_SHARE = 0.55  # of each side; with one corner out of view the rest still tells
CARD_CORNERS_MM = UNIT_SQUARE * (CARD_WIDTH_MM, CARD_HEIGHT_MM)
INWARD = np.sign(0.5 - UNIT_SQUARE)  # from each corner towards the middle, in x and in y


def ordered(corners: FloatArray) -> FloatArray:
    """Clockwise on the screen, the first side a long one."""
    run = np.roll(corners, -1, axis=0) - corners
    if run[0, 0] * run[1, 1] - run[0, 1] * run[1, 0] < 0:
        corners = corners[::-1]
    sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
    return corners if sides[0] + sides[2] >= sides[1] + sides[3] else np.roll(corners, -1, axis=0)


def are_in_view(points_px: FloatArray, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return which of ``(n, 2)`` photo pixels lie in a photo of this shape, its rim left out."""
    low, high = EDGE_OF_PHOTO_PX, np.array([shape[1], shape[0]]) - 1 - EDGE_OF_PHOTO_PX
    return np.asarray(((points_px >= low) & (points_px <= high)).all(axis=-1))


def clipped(
    start: FloatArray, end: FloatArray, shape: tuple[int, ...]
) -> tuple[FloatArray, FloatArray] | None:
    """The part of a side that the photo shows, or None where that is too little."""
    along = np.linspace(0, 1, 65)
    seen = along[are_in_view(start + along[:, None] * (end - start), shape)]
    if len(seen) < MIN_SEEN_SHARE * len(along):
        return None
    return start + seen[0] * (end - start), start + seen[-1] * (end - start)


def outline_mm() -> FloatArray:
    """The card's outline with round corners, 8 points a corner."""
    begin = np.pi * np.array([1.0, 1.5, 0.0, 0.5])[:, None]
    angle = begin + np.linspace(0, np.pi / 2, 8)
    centres = (CARD_CORNERS_MM + CARD_RADIUS_MM * INWARD)[:, None]
    arcs = centres + CARD_RADIUS_MM * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    return np.asarray(arcs.reshape(-1, 2))


def visible_walls_mm(plane: Plane) -> FloatArray:
    """How wide each side wall shows beyond the face: left, right, upper, lower, in mm.

    A wall shows where the camera stands beyond that side.
    """
    x, y, height = plane.camera_mm
    beyond = np.array([-x, x - CARD_WIDTH_MM, -y, y - CARD_HEIGHT_MM])
    walls: FloatArray = np.maximum(beyond, 0.0) * CARD_THICKNESS_MM / height
    return walls


def seen_corners_mm(walls_mm: FloatArray) -> FloatArray:
    """Corners of what the edge fit sees: the face and half of each visible wall."""
    left, right, upper, lower = walls_mm / 2
    grow = np.array([[-left, -upper], [right, -upper], [right, lower], [-left, lower]])
    seen: FloatArray = CARD_CORNERS_MM + grow
    return seen


def wall_doubt(walls_mm: FloatArray, *, u_all_mm: float) -> float:
    """How much visible side walls and all sides alike may have stretched the card, relative.

    The edge found lies somewhere across the wall: rectangular (JCGM 100:2008, 4.3.7).
    """
    sizes = np.array([CARD_WIDTH_MM, CARD_WIDTH_MM, CARD_HEIGHT_MM, CARD_HEIGHT_MM])
    walls = float(np.linalg.norm(walls_mm / np.sqrt(12) / sizes) / 2)
    return float(np.hypot(walls, np.mean(2 * u_all_mm / sizes)))
