"""Discs found from rough places: their middle and size are those drawn."""

from __future__ import annotations

from math import pi

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
