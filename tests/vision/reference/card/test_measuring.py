"""From rough corners to a card, right within its own doubt."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from tests.vision.drawn_places import corners_of
from tests.vision.flat_scenes import camera_over, card_photo
from vision.reference.card.measuring import Card, card_of_lines
from vision.reference.card.sides import Line
from vision.reference.plane import lens_of, mapped
from vision.types import FloatArray, Photo


@cache
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


def test_a_card_seen_from_twice_as_near_has_twice_the_pixels_and_the_same_size() -> None:
    photo, corners = scene(1)
    large = np.asarray(cv2.resize(photo.rgb, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC))
    one = measured(photo, corners)
    two = measured(Photo(name="l", sha256="", rgb=large), 2 * corners + 0.5)
    assert one is not None and two is not None
    assert two.long_side_px == pytest.approx(2 * one.long_side_px, rel=1e-3)
    assert two.plane.mm_per_px == pytest.approx(one.plane.mm_per_px / 2, rel=3e-3)


def test_its_outline_encloses_a_card_on_the_photo() -> None:
    photo, corners = scene(2)
    card = measured(photo, corners)
    assert card is not None
    mm = mapped(card.outline_px, card.plane.mm_from_px)
    assert np.ptp(mm, axis=0) == pytest.approx([85.60, 53.98], abs=1e-3)  # ISO/IEC 7810, ID-1
    x, y = card.outline_px.T
    rough = corners.T
    assert (x.min(), y.min()) == pytest.approx((rough[0].min(), rough[1].min()), abs=6)


def test_more_blur_is_more_doubt_of_the_edge() -> None:
    photo, corners = scene(3)
    soft = np.asarray(cv2.GaussianBlur(photo.rgb, (0, 0), 2.0))
    sharp, blurred = measured(photo, corners), measured(replace(photo, rgb=soft), corners)
    assert sharp is not None
    assert blurred is not None
    assert blurred.u_edge_rel > 1.1 * sharp.u_edge_rel


def test_the_first_side_is_the_long_one_wherever_it_begins() -> None:
    photo, corners = scene(4)
    card = measured(photo, corners)
    assert card is not None
    seen, seen_mm, u_px = card.points
    sides = np.hypot(*(np.roll(seen, -1, axis=0) - seen).T)
    assert sides[0] > sides[1]
    assert seen_mm == pytest.approx(
        np.array([[0, 0], [85.6, 0], [85.6, 53.98], [0, 53.98]]), abs=0.5
    )
    assert u_px > 0
