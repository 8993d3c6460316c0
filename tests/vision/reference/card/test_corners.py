"""Round corners tell a card from square things, and from lines that run on."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.vision.drawn_places import corners_of
from tests.vision.flat_scenes import camera_over, card_photo
from vision.reference.card.corners import MOST_ODDS, corner_odds
from vision.reference.card.geometry import CARD_CORNERS_MM
from vision.reference.plane import from_corners
from vision.types import FloatArray, Image

LOOKS = [("concrete", "plain"), ("paper", "white"), ("wood", "busy"), ("cloth", "stripes")]


def drawn(
    seed: int, *, radius_mm: float = 3.18, face: str = "plain", table: str = "concrete"
) -> tuple[Image, FloatArray]:
    """A level photo of a card and the mapping from its mm to pixels, exact."""
    rng = np.random.default_rng(seed)
    camera = camera_over(rng, height_mm=200.0, size_px=(800, 600))
    photo = card_photo(rng, camera, table=table, face=face, radius_mm=radius_mm)
    return photo.rgb, from_corners(CARD_CORNERS_MM, corners_of(camera))


@pytest.mark.parametrize(("table", "face"), LOOKS)
def test_a_cards_corners_are_round_and_a_square_things_are_not(table: str, face: str) -> None:
    """ISO/IEC 7810: 3.18 mm; a visiting card is cut square. White on white is judged alike."""
    for seed in (1, 2, 3):
        card, square = (
            corner_odds(*drawn(seed, radius_mm=r, table=table, face=face)) for r in (3.18, 0.1)
        )
        assert card.sum() > MOST_ODDS, card
        assert square.sum() < -MOST_ODDS, square


def test_ruled_lines_that_cross_speak_against_a_card() -> None:
    rgb, px_from_mm = drawn(4)
    ruled = np.full_like(rgb, 200)
    corners = cv2.perspectiveTransform(CARD_CORNERS_MM[None], px_from_mm)[0]
    for n in range(4):
        run = corners[(n + 1) % 4] - corners[n]
        start, end = (np.round(corners[n] + at * run).astype(int).tolist() for at in (-0.3, 1.3))
        cv2.line(ruled, start, end, (90, 90, 120), 2, cv2.LINE_AA)
    assert corner_odds(ruled, px_from_mm).sum() < -MOST_ODDS


def test_a_corner_out_of_view_tells_nothing() -> None:
    rgb, px_from_mm = drawn(4)
    right = cv2.perspectiveTransform(CARD_CORNERS_MM[None], px_from_mm)[0][:, 0].max()
    cut = np.ascontiguousarray(rgb[:, : int(right) - 6])
    odds = corner_odds(cut, px_from_mm)
    assert np.isnan(odds).any()
    assert np.nansum(odds) > MOST_ODDS


def test_on_a_bare_table_corners_tell_next_to_nothing() -> None:
    rng = np.random.default_rng(0)
    bare = np.clip(rng.normal(180, 2.0, (600, 800, 3)), 0, 255).astype(np.uint8)
    _, px_from_mm = drawn(4)
    assert np.abs(corner_odds(bare, px_from_mm)).max() < MOST_ODDS / 2
