"""From rough corners to a card, right within its own doubt."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.drawn_places import corners_of
from tests.vision.flat_scenes import camera_over, card_photo
from vision.reference.card.measuring import Card, card_of_lines
from vision.reference.card.sides import Line
from vision.reference.plane import lens_of
from vision.types import FloatArray, Photo


def scene(seed: int, *, size_mm: tuple[float, float] = (85.6, 53.98)) -> tuple[Photo, FloatArray]:
    rng = np.random.default_rng(seed)
    camera = camera_over(rng, height_mm=200.0, tilt_deg=8.0, size_px=(1200, 900))
    photo = card_photo(rng, camera, table="concrete", face="busy", size_mm=size_mm)
    return photo, corners_of(camera, size_mm)


def measured(photo: Photo, corners: FloatArray) -> Card | None:
    lines = [
        Line(
            start=corners[n],
            end=corners[(n + 1) % 4],
            toward=np.zeros(3),
            clearness=9.0,
            bounds_strip=False,
        )
        for n in range(4)
    ]
    return card_of_lines(photo.rgb, corners, lines, lens=lens_of(photo))


@pytest.mark.parametrize("seed", range(5))
def test_rough_corners_become_sides_within_their_doubt(seed: int) -> None:
    photo, corners = scene(seed)
    rough = corners + np.random.default_rng(seed).normal(0, 0.7, corners.shape)
    card = measured(photo, rough)
    assert card is not None
    long_px = np.hypot(*(corners[1] - corners[0])), np.hypot(*(corners[3] - corners[2]))
    error = card.long_side_px / float(np.mean(long_px)) - 1
    assert abs(error) < 3 * max(card.u_edge_rel, card.plane.u_fit_rel), error
    assert card.u_edge_rel < 0.01


def test_what_has_a_cards_corners_but_not_its_shape_is_none() -> None:
    """Proportions of a playing card, 63 x 88 mm (from memory), with a card's round corners."""
    assert measured(*scene(1, size_mm=(88.0, 63.0))) is None


def test_where_no_sides_are_there_is_no_card() -> None:
    photo, corners = scene(2)
    assert measured(photo, corners + np.array([160.0, 0.0])) is None
