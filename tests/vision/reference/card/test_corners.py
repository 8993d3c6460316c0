"""Round corners and steps: what tells a card from square things and from drawn lines."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.flat_scenes import camera_over, card_photo
from vision.reference.card.corners import are_steps, is_round, roundness_of
from vision.reference.card.geometry import CARD_CORNERS_MM, square_on
from vision.types import FloatArray, Image


def drawn(
    seed: int, *, radius_mm: float = 3.18, face: str = "plain", table: str = "concrete"
) -> tuple[Image, FloatArray]:
    """A level photo of a card and the mapping from its mm to pixels, exact."""
    rng = np.random.default_rng(seed)
    camera = camera_over(rng, height_mm=200.0, size_px=(800, 600))
    photo = card_photo(rng, camera, table=table, face=face, radius_mm=radius_mm, shadow=0.0)
    corners = camera.project(CARD_CORNERS_MM - CARD_CORNERS_MM.mean(axis=0), 0.76)
    return photo.rgb, square_on(corners)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_cards_corners_are_round_and_a_square_things_are_not(seed: int) -> None:
    """ISO/IEC 7810: 3.18 mm; a visiting card is cut square."""
    card, square = (roundness_of(*drawn(seed, radius_mm=r)) for r in (3.18, 0.1))
    assert is_round(card), card
    assert not is_round(square), square


def test_three_round_corners_are_enough_where_one_is_out_of_view() -> None:
    assert is_round((0.9, 0.8, 0.85, np.nan))
    assert not is_round((0.9, 0.8, np.nan, np.nan))
    assert not is_round((0.9, 0.8, 0.3, 0.2))


@pytest.mark.parametrize("seed", [4, 5])
def test_sides_are_steps_and_ruled_lines_are_none(seed: int) -> None:
    rgb, px_from_mm = drawn(seed)
    assert are_steps(rgb, px_from_mm)
    ruled = np.full_like(rgb, 200)
    import cv2

    corners = cv2.perspectiveTransform(CARD_CORNERS_MM[None], px_from_mm)[0]
    cv2.polylines(ruled, [np.round(corners).astype(np.int32)], True, (90, 90, 120), 2, cv2.LINE_AA)
    assert not are_steps(ruled, px_from_mm)
