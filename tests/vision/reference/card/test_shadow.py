"""Sides taken on the far edge of a card's shadow move back; a printed rim stays."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.photo.colour import from_linear
from vision.reference.card.geometry import CARD_CORNERS_MM
from vision.reference.card.shadow import without_shadows
from vision.reference.edges import EdgeLine
from vision.types import FloatArray, Image

PX_PER_MM = 8.0
ORIGIN = np.array([90.0, 90.0])


def level_card(*, dark: tuple[int, ...] = (), shadow_mm: float = 1.0) -> tuple[Image, FloatArray]:
    """A dark card seen from straight above, table beside the named sides in hard shadow.

    Returns the photo and where the far edge of what is dark lies: the card's sides, or the
    shadow's.
    """
    size = (CARD_CORNERS_MM[2] * PX_PER_MM).round().astype(int)
    linear = np.full((size[1] + 180, size[0] + 180, 3), 0.5)
    low, high = ORIGIN.astype(int), ORIGIN.astype(int) + size
    outer_low, outer_high = low.copy(), high.copy()
    reach = round(shadow_mm * PX_PER_MM)
    for side in dark:  # 0 upper, 1 right, 2 lower, 3 left: the order of the corners
        if side in (0, 3):
            outer_low[1 if side == 0 else 0] -= reach
        else:
            outer_high[0 if side == 1 else 1] += reach
    linear[outer_low[1] : outer_high[1], outer_low[0] : outer_high[0]] = 0.09
    linear[low[1] : high[1], low[0] : high[0]] = (0.012, 0.02, 0.05)
    rgb = from_linear(np.asarray(cv2.GaussianBlur(linear, (0, 0), 0.8), np.float64))
    x0, y0 = outer_low - 0.5
    x1, y1 = outer_high - 0.5
    return rgb, np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def edges_of(corners: FloatArray) -> list[EdgeLine]:
    made = []
    for n in range(4):
        start, end = corners[n], corners[(n + 1) % 4]
        run = (end - start) / np.hypot(*(end - start))
        made.append(
            EdgeLine(
                point=(start + end) / 2,
                direction=run,
                u_offset_px=0.05,
                u_slope=1e-4,
                rms_px=0.1,
                support=1.0,
                contrast=0.3,
                blur_px=0.8,
            )
        )
    return made


@pytest.mark.parametrize("dark", [(1,), (0,), (1, 2), (0, 3)])
def test_sides_on_a_shadows_edge_move_back_by_its_width(dark: tuple[int, ...]) -> None:
    rgb, corners = level_card(dark=dark)
    _, moved_px = without_shadows(rgb, corners, edges_of(corners))
    for side in range(4):
        expected = PX_PER_MM if side in dark else 0.0
        assert moved_px[side] == pytest.approx(expected, abs=1.3), (side, moved_px)


def test_a_card_without_a_shadow_stays() -> None:
    rgb, corners = level_card()
    assert without_shadows(rgb, corners, edges_of(corners))[1] == [0.0] * 4


@pytest.mark.parametrize("dark", [(0, 1, 2, 3), (0, 2)])
def test_what_is_dark_on_opposite_sides_is_no_shadow(dark: tuple[int, ...]) -> None:
    """One light throws a shadow on one side or on two that meet."""
    rgb, corners = level_card(dark=dark)
    assert without_shadows(rgb, corners, edges_of(corners))[1] == [0.0] * 4
