"""Where the network sees a reference, and which quads its patch may be."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.vision.drawn_places import corners_of, map_of, places_of
from tests.vision.flat_scenes import camera_over
from tests.vision.reference.coin.test_coins import WHITE_9
from vision.finish.surface import load_surface_model, surface_map
from vision.photo.loading import load_photo_file
from vision.reference.places import reference_places
from vision.types import Surface

REAL = Path(__file__).parents[3] / "fixtures" / "real" / "coins"


def test_a_disc_is_placed_and_sized_to_a_fraction_of_a_cell() -> None:
    mask = np.zeros((768, 1024), np.uint8)
    cv2.circle(mask, (411, 305), 90, (1,), -1)
    (place,) = reference_places(map_of(mask))
    assert place.is_round
    assert place.centre_px == pytest.approx((411, 305), abs=1.0)
    assert place.radius_px == pytest.approx(90, rel=0.02)


def test_a_card_is_not_round_and_specks_are_no_places() -> None:
    mask = np.zeros((768, 1024), np.uint8)
    cv2.rectangle(mask, (200, 200), (600, 450), (1,), -1)
    mask[700:716, 900:916] = 1
    (place,) = reference_places(map_of(mask))
    assert not place.is_round
    assert place.box_px == pytest.approx((200, 200, 400, 250), abs=16)


@pytest.mark.parametrize("tilt_deg", [0.0, 12.0, 25.0])
def test_four_sides_meet_in_the_cards_corners_to_a_cell(tilt_deg: float) -> None:
    camera = camera_over(np.random.default_rng(3), height_mm=200, tilt_deg=tilt_deg)
    (place,) = places_of(camera, cell_px=12)
    assert place.sides_px is not None
    for corner in corners_of(camera):
        assert np.hypot(*(place.sides_px - corner).T).min() < 12


def test_a_leaking_patch_has_a_cards_moments() -> None:
    """One corner runs out over the table, as where both are white: the sides are lost."""
    mask = np.zeros((768, 1024), np.uint8)
    cv2.rectangle(mask, (300, 250), (300 + 428, 250 + 270), (1,), -1)
    clean = reference_places(map_of(mask, cell_px=12))[0].card_px
    cv2.fillConvexPoly(mask, np.array([[300, 250], [400, 250], [300, 380], [240, 190]]), (1,))
    leaky = reference_places(map_of(mask, cell_px=12))[0].card_px
    assert clean is not None
    assert leaky is not None
    # 428 px of 85.6 mm: the first within a cell, the other within 7 mm, as far as is looked
    true = np.array([[300, 250], [728, 250], [728, 520], [300, 520]])
    for corner in true:
        assert np.hypot(*(clean - corner).T).min() < 12
        assert np.hypot(*(leaky - corner).T).min() < 35


@pytest.mark.parametrize("size_px", [(300, 300), (500, 150)])
def test_what_is_too_square_or_too_long_is_no_card(size_px: tuple[int, int]) -> None:
    mask = np.zeros((768, 1024), np.uint8)
    mask[200 : 200 + size_px[1], 200 : 200 + size_px[0]] = 1
    assert reference_places(map_of(mask))[0].card_px is None


def test_the_network_knows_real_coins_that_it_never_saw() -> None:
    """Phone photo of ten euro coins (coins-dataset, J. Beijar, MIT licence)."""
    model = load_surface_model()
    assert model is not None
    photo = load_photo_file(REAL / "euro_mixed_white_9.jpg")
    p = surface_map(photo, model=model).p[list(Surface).index(Surface.REFERENCE)]
    cells = photo.width_px / p.shape[1]
    seen = [p[int(y / cells), int(x / cells)] > 0.5 for x, y in WHITE_9]
    assert np.mean(seen) >= 0.7  # all but the worn two-coloured ones


def test_touching_discs_are_told_apart() -> None:
    """Three discs in a row make one patch; its widest places are their middles."""
    mask = np.zeros((768, 1024), np.uint8)
    true = [(300, 300, 90), (465, 300, 75), (600, 330, 63)]
    for x, y, r in true:
        cv2.circle(mask, (x, y), r, (1,), -1)
    (place,) = reference_places(map_of(mask))
    assert not place.is_round
    assert len(place.discs_px) == 3
    for x, y, r in true:
        away = np.hypot(*(place.discs_px[:, :2] - (x, y)).T)
        assert away.min() < 8
        assert place.discs_px[away.argmin(), 2] == pytest.approx(r, rel=0.1)


def test_the_largest_place_comes_first_wherever_the_map_begins() -> None:
    mask = np.zeros((768, 1024), np.uint8)
    cv2.circle(mask, (250, 300), 60, (1,), -1)
    cv2.circle(mask, (700, 400), 110, (1,), -1)
    places = reference_places(map_of(mask))
    assert [round(place.radius_px, -1) for place in places] == [110, 60]
    moved = replace(map_of(mask), box_px=(400, 200, 1024, 768))
    for one, other in zip(places, reference_places(moved), strict=True):
        assert np.subtract(other.centre_px, one.centre_px) == pytest.approx([400, 200])


def test_a_map_twice_as_coarse_for_a_photo_twice_as_large_shows_the_same() -> None:
    mask = np.zeros((768, 1024), np.uint8)
    cv2.circle(mask, (411, 305), 90, (1,), -1)
    one = map_of(mask)
    (small,), (large,) = (
        reference_places(replace(one, box_px=(0, 0, 1024 * f, 768 * f))) for f in (1, 2)
    )
    assert large.radius_px == pytest.approx(2 * small.radius_px)
    assert large.area_px == pytest.approx(4 * small.area_px)
    # Edges of pixels, not their middles, double (a pixel's centre is at whole numbers).
    assert np.array(large.centre_px) + 0.5 == pytest.approx(2 * (np.array(small.centre_px) + 0.5))


@pytest.mark.parametrize("p", [0.4, 0.6])
def test_what_is_likelier_something_else_is_no_place(p: float) -> None:
    mask = np.zeros((768, 1024), np.uint8)
    cv2.circle(mask, (411, 305), 90, (1,), -1)
    seen = map_of(mask)
    faint = replace(seen, p=seen.p * np.float32(p))
    assert bool(reference_places(faint)) is (p > 0.5)


@pytest.mark.parametrize("ratio", [1.0, 1.59, 3.5])
def test_only_what_is_about_as_long_as_a_card_may_be_one(ratio: float) -> None:
    # ID-1: 85.60 over 53.98 is 1.586.
    mask = np.zeros((768, 1024), np.uint8)
    half = round(120 * ratio)
    mask[384 - 120 : 384 + 120, 512 - half : 512 + half] = 1
    (place,) = reference_places(map_of(mask))
    assert (place.card_px is not None) is (ratio == 1.59)
    if place.card_px is not None:
        sides = np.hypot(*(np.roll(place.card_px, -1, axis=0) - place.card_px).T)
        assert sides.max() / sides.min() == pytest.approx(85.60 / 53.98)
        x, y = place.card_px.T
        area = abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))) / 2
        assert area == pytest.approx(240 * 2 * half, rel=0.03)
