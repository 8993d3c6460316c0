"""Is it a card at all: round corners, and steps in light along its sides?"""

from __future__ import annotations

import numpy as np

from vision.reference.card.geometry import CARD_CORNERS_MM, are_in_view, corner_places_mm, to_px
from vision.reference.edges import sample_linear
from vision.reference.references import (
    CARD_HEIGHT_MM,
    CARD_WIDTH_MM,
)
from vision.types import Float32Array, FloatArray, Image

# Of drawn cards the roundest three corners reach 0.63 and more, square things stay
# under 0.5 but for chance.
MIN_ROUND_CORNERS = 3
MIN_ROUNDNESS = 0.55
MIN_MEAN_ROUNDNESS = 0.68
# A step is 1, a drawn line 0: mean over the sides 0.60 to 0.92 on rendered cards, 0.02 to
# 0.15 on rendered squared paper.
MIN_STEP_SHARE = 0.45


def is_round(roundness: tuple[float, ...]) -> bool:
    """Return whether the corners in view are those of a card and no square thing's."""
    seen = [value for value in roundness if np.isfinite(value)]
    round_ones = sum(value > MIN_ROUNDNESS for value in seen)
    return round_ones >= MIN_ROUND_CORNERS and float(np.mean(seen)) > MIN_MEAN_ROUNDNESS


def are_steps(rgb: Image, px_from_mm: FloatArray) -> bool:
    """Whether face and table differ along the sides, as they don't where lines are drawn.

    For places along each side: the change of colour from 1.2 mm outside to 1.2 mm
    inside, against that and how far the side itself stands out from both.
    """
    shares = []
    along = np.repeat(np.linspace(0.12, 0.88, 96), 3)
    spread = np.tile([-0.3, 0.0, 0.3], 96)
    for n in range(4):
        start, end = CARD_CORNERS_MM[n], CARD_CORNERS_MM[(n + 1) % 4]
        run = (end - start) / np.hypot(*(end - start))
        inward = np.array([-run[1], run[0]])
        line = start + along[:, None] * (end - start)
        face, side, table = (
            look_at(rgb, px_from_mm, line + (at + width * spread)[:, None] * inward)
            .reshape(12, -1, 3)
            .mean(axis=1)
            for at, width in ((1.2, 1.0), (0.0, 0.3), (-1.2, 1.0))
        )
        step = np.linalg.norm(face - table, axis=1)
        ridge = np.linalg.norm(side - (face + table) / 2, axis=1)
        shares.append(float(np.median(step / np.maximum(step + 2 * ridge, 1e-6))))
    return float(np.mean(shares)) > MIN_STEP_SHARE


def look_at(rgb: Image, px_from_mm: FloatArray, points_mm: FloatArray) -> Float32Array:
    """Square root of linear light, so that dark cards count like bright ones."""
    at = to_px(px_from_mm, points_mm.reshape(-1, 2))
    light = sample_linear(rgb, at[:, 0], at[:, 1])
    return np.sqrt(light).reshape(*points_mm.shape[:-1], 3)


def roundness_of(rgb: Image, px_from_mm: FloatArray) -> tuple[float, ...]:
    """For each corner: contrast across the arc against contrast across a square corner.

    The wedge between the arc and the square corner is table on a card, and face on a
    thing with square corners: its colour is compared with both its neighbours. NaN for
    a corner out of view.
    """
    values = []
    for n in range(4):
        corner = CARD_CORNERS_MM[n]
        inward = np.sign(np.array([CARD_WIDTH_MM, CARD_HEIGHT_MM]) / 2 - corner)
        tip = to_px(px_from_mm, corner[None])
        values.append(
            _corner_roundness(rgb, px_from_mm, corner, inward)
            if are_in_view(tip, rgb.shape)[0]
            else np.nan
        )
    return tuple(values)


def _corner_roundness(
    rgb: Image, px_from_mm: FloatArray, corner: FloatArray, inward: FloatArray
) -> float:
    """Share of the step from table to face that is made across the arc, 0 to 1."""
    table, between, face = (
        np.median(look_at(rgb, px_from_mm, corner + inward * points), axis=0)
        for points in corner_places_mm()
    )
    over_arc = float(np.linalg.norm(face - between))
    over_corner = float(np.linalg.norm(between - table))
    return over_arc / max(over_arc + over_corner, 1e-6)
