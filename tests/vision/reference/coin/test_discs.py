"""Discs found from rough places: their middle and size are those drawn."""

from __future__ import annotations

from math import pi

import cv2
import numpy as np
import pytest

from tests.vision.reference.coin.drawn_discs import disc_photo
from vision.reference.coin.discs import find_discs
from vision.reference.places import Place


def about(x: float, y: float, r: float) -> Place:
    return Place(box_px=(x - r, y - r, 2 * r, 2 * r), centre_px=(x, y), area_px=pi * r * r)


@pytest.mark.parametrize("start", [(203, 148, 60), (198, 152, 66), (207, 145, 54)])
def test_a_disc_is_outlined_from_a_start_a_cell_off(start: tuple[float, float, float]) -> None:
    (disc,) = find_discs(disc_photo(), places=[about(*start)])
    assert disc.ellipse.centre_px == pytest.approx((203, 148), abs=1.0)
    assert disc.ellipse.major_px == pytest.approx(120, rel=0.02)
    assert disc.residual_px < 0.6
    assert disc.support > 0.7


def test_a_coin_of_two_metals_is_outlined_as_a_whole() -> None:
    photo = disc_photo(radius_px=60, inner_px=41)
    (disc,) = find_discs(photo, places=[about(203, 148, 58)])
    assert disc.ellipse.major_px == pytest.approx(120, rel=0.02)


def test_two_starts_on_one_disc_give_one() -> None:
    places = [about(201, 150, 62), about(206, 146, 40)]
    assert len(find_discs(disc_photo(), places=places)) == 1


def test_a_disc_cut_by_the_frame_and_a_bare_table_give_none() -> None:
    cut = np.ascontiguousarray(disc_photo()[:, 180:])
    assert find_discs(cut, places=[about(23, 148, 60)]) == ()
    bare = disc_photo(radius_px=0.0)
    assert find_discs(bare, places=[about(203, 148, 60)]) == ()
    assert find_discs(disc_photo(), places=[]) == ()


def test_two_discs_are_two_and_the_clearer_comes_first() -> None:
    one, other = disc_photo(at=(100.0, 148.0)), disc_photo(at=(300.0, 148.0))
    both = np.concatenate([one[:, :200], other[:, 200:]], axis=1)
    found = find_discs(both, places=[about(100, 148, 58), about(300, 148, 62)])
    assert sorted(round(disc.ellipse.centre_px[0]) for disc in found) == [100, 300]
    supports = [disc.support for disc in found]
    assert supports == sorted(supports, reverse=True)


def test_a_start_on_the_inner_metal_is_none_of_its_own() -> None:
    photo = disc_photo(radius_px=60, inner_px=41)
    found = find_discs(photo, places=[about(203, 148, 60), about(206, 150, 40)])
    assert len(found) == 1
    assert found[0].ellipse.major_px == pytest.approx(120, rel=0.02)


def test_too_steep_an_oval_is_no_coin() -> None:
    # Seen 45 degrees from above the axes are as 1 to 0.71; over 30 the photo is refused anyway.
    photo = disc_photo(size=(400, 424), at=(203.0, 209.0))
    flat = np.asarray(cv2.resize(photo, (400, 300), interpolation=cv2.INTER_AREA))
    assert find_discs(flat, places=[about(203, 148, 52)]) == ()


@pytest.mark.parametrize("radius_px", [30.0, 60.0, 90.0])
def test_a_disc_is_as_large_as_it_was_drawn_at_any_size(radius_px: float) -> None:
    (disc,) = find_discs(
        disc_photo(radius_px=radius_px), places=[about(203, 148, 0.97 * radius_px)]
    )
    assert disc.ellipse.major_px == pytest.approx(2 * radius_px, rel=0.02)
    assert disc.ellipse.axis_ratio > 0.97
