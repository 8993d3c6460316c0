"""What lies inside and outside a ring, and which edges are only a shadow's."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.reference.coin.drawn_discs import METAL, TABLE, disc_photo
from vision.reference.coin.discs import WIDE_SPANS
from vision.reference.coin.surround import (
    MISSING,
    Start,
    crop_disc,
    look_around,
    parting,
    polar_samples,
    shadow_like,
)
from vision.types import Float32Array, Image

REACH = np.linspace(0.64, 1.62, 70)


def polar(image: Image, middle: float, radius: float) -> Float32Array:
    return polar_samples(image, np.array([[middle, middle]]), np.array([radius]), 36, REACH)


def test_a_disc_is_cut_out_at_a_handy_size() -> None:
    big = np.kron(disc_photo(), np.ones((3, 3, 1), np.uint8))
    crop = crop_disc(
        big, Start(x=3 * 203.5 - 0.5, y=3 * 148.5 - 0.5, r=180.0), radius_px=60.0, reach=1.4
    )
    assert crop.radius_px == pytest.approx(60.0)
    row = crop.image[crop.centre_px].astype(float)
    left = np.flatnonzero(np.abs(row - TABLE).sum(axis=1) > 60)
    assert len(left) == pytest.approx(120, abs=3)
    assert left.mean() == pytest.approx(crop.centre_px, abs=1.0)


def test_rays_read_what_lies_on_them() -> None:
    crop = crop_disc(disc_photo(noise=0.0), Start(x=203, y=148, r=60.0), radius_px=60.0, reach=1.75)
    seen = polar(crop.image, crop.centre_px, crop.radius_px)[0]
    assert seen[:, 0] == pytest.approx(np.tile(METAL, (36, 1)), abs=2)
    assert seen[:, -1] == pytest.approx(np.tile(TABLE, (36, 1)), abs=2)


def test_colour_parts_disc_and_table_at_the_outline_alone() -> None:
    crop = crop_disc(disc_photo(), Start(x=203, y=148, r=60.0), radius_px=56.0, reach=1.75)
    around = look_around(crop, polar(crop.image, crop.centre_px, crop.radius_px), REACH, WIDE_SPANS)
    assert around.tells > 0.7
    assert parting(np.ones(36), around) > 0.6
    assert abs(parting(np.full(36, 0.8), around)) < 0.1
    assert abs(parting(np.full(36, 1.3), around)) < 0.1


def test_darker_inward_at_the_same_tint_is_like_a_shadow_and_another_tint_is_not() -> None:
    at = np.full((1, 36, 2), MISSING, np.float32)
    at[..., 0] = 1.0

    def ring_of(inner: tuple[int, ...], outer: tuple[int, ...]) -> Float32Array:
        soft = np.clip((REACH - 0.95) / 0.1, 0, 1)[:, None]
        row = (1 - soft) * np.array(inner) + soft * np.array(outer)
        return np.tile(row.astype(np.float32), (1, 36, 1, 1))

    # half and full light of one paper, IEC 61966-2-1: 188 is half of 255's light
    shade = shadow_like(ring_of((148, 148, 148), (200, 200, 200)), REACH, at)[..., 0]
    copper = shadow_like(ring_of((150, 90, 60), (200, 200, 200)), REACH, at)[..., 0]
    lighter = shadow_like(ring_of((200, 200, 200), (148, 148, 148)), REACH, at)[..., 0]
    assert (shade > 0.15).all()
    assert (copper == 0).all()
    assert (lighter == 0).all()
