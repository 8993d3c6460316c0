"""Profiles in linear light, against values and edges known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import map_coordinates

from tests.vision.drawn_wire import Look, Straight, draw, encoded, photo_of
from vision.photo.colour import to_linear
from vision.pieces.centreline import centre_line
from vision.width.profiles import averaged, linear_at, quickly_at, sample_at


def test_values_between_pixels_are_linear_light() -> None:
    rgb = np.zeros((2, 2, 3), np.uint8)
    rgb[:, 1] = 188
    middle = linear_at(photo_of(rgb), np.array([[[0.5, 0.5]]]))
    # Reference part 8: code 188 is 0.502886 linear, so half way it is 0.251443.
    assert middle[0, 0] == pytest.approx([0.251443] * 3, abs=2e-6)


def test_off_the_photo_is_not_a_value() -> None:
    values = linear_at(photo_of(np.full((4, 4, 3), 99, np.uint8)), np.array([[[-1.0, 1], [1, 1]]]))
    assert np.isnan(values[0, 0]).all() and np.isfinite(values[0, 1]).all()


def test_wide_steps_see_every_pixel() -> None:
    # A one-pixel line between two samples must not vanish: the mean stays.
    light = np.full((60, 120, 3), 0.2)
    light[31] = 0.8
    rgb = np.round(255 * encoded(light)).astype(np.uint8)
    line = centre_line(np.pad(np.ones((9, 100), bool), ((26, 25), (10, 10))))
    assert line is not None
    strip = sample_at(photo_of(rgb), line, offsets_px=np.arange(-5, 6) * 4.0)
    assert strip.profiles.mean() == pytest.approx(0.2 + 0.6 / 44, abs=0.004)


@pytest.mark.parametrize("step_px", [1.0, 1.7, 2.5, 5.0])
def test_the_quick_look_shows_the_same_light(step_px: float) -> None:
    photo, _ = draw(Straight(length=330, angle_deg=8, centre=(200, 130)), 61.0, Look(), seed=3)
    x, y = np.meshgrid(np.arange(20, 380, step_px), np.arange(20, 240, step_px))
    at = np.stack([x, y], axis=-1)
    exact, quick = linear_at(photo, at), quickly_at(photo, at, step_px=step_px)
    assert float(np.abs(quick.mean(axis=(0, 1)) / exact.mean(axis=(0, 1)) - 1).max()) < 0.01
    assert np.corrcoef(exact.ravel(), quick.ravel())[0, 1] > 0.98


def test_mean_along_the_piece_keeps_what_is_known() -> None:
    photo, region = draw(Straight(length=330, angle_deg=0, centre=(200, 20)), 20.0, Look(), seed=1)
    line = centre_line(region.mask, offset_px=region.box_px[:2])
    assert line is not None
    strip = sample_at(photo, line, offsets_px=np.arange(-80, 81) * 0.5)
    mean = averaged(strip, 10)
    assert mean.profiles.shape == (10, len(strip.offsets_px), 3)
    known = np.asarray(np.isfinite(mean.profiles).all(axis=(0, 2)))
    assert known[strip.offsets_px > -15].any() and not known.all()
    assert np.nanmean(mean.profiles) == pytest.approx(np.nanmean(strip.profiles), rel=0.02)


NOISE = photo_of(np.random.default_rng(5).integers(0, 256, (12, 17, 3), dtype=np.uint8))


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 16), st.floats(0, 11)), min_size=1, max_size=20))
def test_between_pixels_it_is_scipys_bilinear_value_of_linear_light(
    points: list[tuple[float, float]],
) -> None:
    at = np.array(points)[None]
    light = to_linear(NOISE.rgb)
    reference = [map_coordinates(light[..., k], at[0].T[::-1], order=1) for k in range(3)]
    assert linear_at(NOISE, at)[0] == pytest.approx(np.stack(reference, axis=-1), abs=2e-5)


def test_columns_lie_at_their_offsets_along_the_normals() -> None:
    line = centre_line(np.pad(np.ones((9, 100), bool), ((26, 25), (10, 10))))
    assert line is not None
    photo = photo_of(np.full((60, 120, 3), 90, np.uint8))
    strip = sample_at(photo, line, offsets_px=np.arange(-6, 7) * 0.5)
    away = strip.at(np.full(len(strip.points_px), 2.5)) - line.points_px
    assert np.sum(away * line.normals, axis=1) == pytest.approx(2.5)
    assert np.sum(away * line.tangents, axis=1) == pytest.approx(0.0, abs=1e-9)
    assert strip.step_px == 0.5


@pytest.mark.parametrize("groups", [1, 3, 7, 200])
def test_each_group_is_the_mean_of_its_neighbours_and_none_is_left_out(groups: int) -> None:
    line = centre_line(np.pad(np.ones((9, 100), bool), ((26, 25), (10, 10))))
    assert line is not None
    ramp = np.repeat(np.arange(120, dtype=np.uint8)[None, :, None], 60, axis=0)
    strip = sample_at(photo_of(np.repeat(ramp, 3, axis=2)), line, offsets_px=np.arange(-3, 4.0))
    mean = averaged(strip, groups)
    n = len(strip.profiles)
    assert len(mean.profiles) == min(groups, n)
    parts = np.split(np.arange(n), np.linspace(0, n, min(groups, n) + 1).astype(int)[1:-1])
    for row, part in enumerate(parts):
        assert mean.profiles[row] == pytest.approx(strip.profiles[part].mean(axis=0), abs=1e-6)
        assert mean.points_px[row] == pytest.approx(strip.points_px[part].mean(axis=0))
    assert np.linalg.norm(mean.normals, axis=1) == pytest.approx(1.0)
