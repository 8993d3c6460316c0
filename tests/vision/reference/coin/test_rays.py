"""Edges and colours along rays lie where they were drawn, however finely the photo shows them."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.reference.coin.drawn_discs import disc_photo
from vision.reference.coin.rays import Rays, _peaks, _trust, look_along
from vision.reference.coin.surround import MISSING
from vision.types import FloatArray, Image

ANGLE = np.linspace(0, 2 * np.pi, 36, endpoint=False)
CIRCLE = np.column_stack([np.cos(ANGLE), np.sin(ANGLE)])
REACH = np.arange(0.80, 1.22, 0.0075)


def along(photo: Image, middle: FloatArray, radius_px: float) -> Rays:
    return look_along(
        photo,
        middle,
        radius_px * CIRCLE,
        REACH,
        inside=np.array([0.80, 0.88]),
        outside=np.array([1.12, 1.20]),
        finest_px=126.0,
    )


def test_edges_along_rays_lie_where_they_were_drawn() -> None:
    seen = along(disc_photo(), np.array([203.0, 148.0]), 60.0)
    assert seen.radius[:, 0] == pytest.approx(np.ones(36), abs=0.012)
    assert (seen.trust[:, 0] > 0.15).all()
    assert (seen.trust[seen.radius == MISSING] == 0).all()
    metal = np.diff(seen.around.metal, axis=1)
    assert metal[:, :15].mean() > 0.8
    assert metal[:, -15:].mean() < 0.2


def test_a_photo_that_shows_more_pixels_tells_the_same() -> None:
    """Five times as fine, so that it is averaged down first: pixel centres move by half a pixel."""
    photo = disc_photo()
    fine = np.kron(photo, np.ones((5, 5, 1), np.uint8))
    middle = np.array([203.0, 148.0])
    seen, finer = along(photo, middle, 60.0), along(fine, 5 * (middle + 0.5) - 0.5, 300.0)
    assert finer.radius[:, 0] == pytest.approx(seen.radius[:, 0], abs=0.006)


def test_rays_that_leave_the_photo_end_in_its_border() -> None:
    photo = np.ascontiguousarray(disc_photo()[:, 180:])
    seen = along(photo, np.array([23.0, 148.0]), 60.0)
    right = np.abs(np.degrees(ANGLE) % 360 - 180) > 120  # of the middle: there all is in view
    assert seen.radius[right, 0] == pytest.approx(1.0, abs=0.012)


@pytest.mark.parametrize("at", [0.9, 0.963, 1.1])
def test_an_edge_is_placed_between_the_samples_where_it_was_drawn(at: float) -> None:
    reach = np.linspace(0.8, 1.2, 81)
    light = 200 - 120 / (1 + np.exp((reach - at) / 0.008))  # a soft step of known middle
    polar = np.repeat(light[None, :, None], 3, axis=2).round().astype(np.uint8)
    radius, strength = _peaks(polar, reach)
    assert radius[0, 0] == pytest.approx(at, abs=0.001)
    assert (radius[0, 1:][strength[0, 1:] == 0] == MISSING).all()


def test_an_edge_as_strong_as_most_is_trusted_and_grain_is_not() -> None:
    strength = np.full((36, 7), 3.0, np.float32)
    strength[:, 0] = 60.0
    trust = _trust(strength)
    assert (trust[:, 0] == 1).all()
    assert trust[:, 1:] == pytest.approx(3 / 24)  # 0.4 of the usual strongest is trusted in full
