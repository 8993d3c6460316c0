"""What lies inside and outside a ring, and which edges are only a shadow's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import median_abs_deviation, multivariate_normal

from tests.vision.reference.coin.drawn_discs import METAL, TABLE, disc_photo
from vision.reference.coin.discs import WIDE_SPANS
from vision.reference.coin.surround import (
    MISSING,
    Start,
    _chroma,
    _log_normal,
    _logs,
    _normal,
    _spread,
    crop_disc,
    look_around,
    parting,
    polar_samples,
    shadow_like,
)
from vision.types import Float32Array, Image

REACH = np.linspace(0.64, 1.62, 70)


def polar(image: Image, middle: float, radius: float) -> Float32Array:
    return polar_samples(image, middle, radius, 36, REACH)


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
    seen = polar(crop.image, crop.centre_px, crop.radius_px)
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
    at = np.full((36, 2), MISSING, np.float32)
    at[..., 0] = 1.0

    def ring_of(inner: tuple[int, ...], outer: tuple[int, ...]) -> Float32Array:
        soft = np.clip((REACH - 0.95) / 0.1, 0, 1)[:, None]
        row = (1 - soft) * np.array(inner) + soft * np.array(outer)
        return np.tile(row.astype(np.float32), (36, 1, 1))

    # half and full light of one paper, IEC 61966-2-1: 188 is half of 255's light
    shade = shadow_like(ring_of((148, 148, 148), (200, 200, 200)), REACH, at)[..., 0]
    copper = shadow_like(ring_of((150, 90, 60), (200, 200, 200)), REACH, at)[..., 0]
    lighter = shadow_like(ring_of((200, 200, 200), (148, 148, 148)), REACH, at)[..., 0]
    assert (shade > 0.15).all()
    assert (copper == 0).all()
    assert (lighter == 0).all()


def test_shadow_keeps_the_chroma_and_another_metal_changes_it() -> None:
    # Half of the light: codes by IEC 61966-2-1 of half the linear light of each channel.
    full, half = np.array([[200, 150, 90]], np.uint8), np.array([[147, 109, 64]], np.uint8)
    silver = np.array([[170, 168, 160]], np.uint8)
    full_at, half_at, silver_at = (_chroma(_logs(codes)) for codes in (full, half, silver))
    kept = np.abs(half_at - full_at).max()
    assert kept < 0.15
    assert np.abs(silver_at - full_at).max() > 4 * kept


def test_the_middle_of_a_cloud_is_its_own_though_a_fifth_are_strangers() -> None:
    rng = np.random.default_rng(2)
    own = rng.normal([0.3, -0.4], 0.05, (800, 2))
    strangers = rng.normal([2.0, 1.5], 0.05, (180, 2))
    middle, _ = _normal(np.concatenate([own, strangers]))
    assert middle == pytest.approx([0.3, -0.4], abs=0.03)


def test_how_likely_a_colour_is_is_scipys_normal() -> None:
    # scipy.stats.multivariate_normal, but for a constant; cut off 5 standard deviations away.
    rng = np.random.default_rng(3)
    spread = np.array([[0.04, 0.01], [0.01, 0.03]])
    model = (np.array([0.2, -0.1]), np.linalg.inv(spread))
    colours = rng.normal(model[0], 0.2, (50, 2))
    expected = multivariate_normal(model[0], spread).logpdf(colours) + np.log(2 * np.pi)
    assert _log_normal(colours, model) == pytest.approx(expected)
    assert _log_normal(np.array([[1e6, 0.0]]), model)[0] > -20


def test_spread_is_scipys_normal_median_deviation_with_a_floor() -> None:
    values = np.random.default_rng(4).normal(3.0, 0.4, 999)
    middle, spread = _spread(values, 0.01)
    assert middle == np.median(values)
    assert spread == pytest.approx(median_abs_deviation(values, scale="normal"), rel=1e-3)
    assert _spread(np.full(5, 2.0), 0.06) == (2.0, 0.06)


def test_a_band_is_the_mean_between_its_radii() -> None:
    crop = crop_disc(disc_photo(), Start(x=203, y=148, r=60.0), radius_px=56.0, reach=1.75)
    around = look_around(crop, polar(crop.image, crop.centre_px, crop.radius_px), REACH, WIDE_SPANS)
    values = np.random.default_rng(5).normal(size=(36, len(REACH)))
    low, high = np.full(36, REACH[10]), np.full(36, REACH[30])
    mean = around.band(np.cumsum(values, axis=1), low, high)
    assert mean == pytest.approx(values[:, 11:31].mean(axis=1))


def test_where_disc_and_table_are_one_colour_colour_tells_nothing() -> None:
    bare = disc_photo(radius_px=0.0)
    crop = crop_disc(bare, Start(x=203, y=148, r=60.0), radius_px=56.0, reach=1.75)
    around = look_around(crop, polar(crop.image, crop.centre_px, crop.radius_px), REACH, WIDE_SPANS)
    assert around.tells < 0.1
    assert abs(parting(np.ones(36), around)) < 0.05
