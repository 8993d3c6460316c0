"""Profiles in linear light, against values and edges known by construction."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.drawn_wire import DARK, Look, Straight, draw, encoded, photo_of
from vision.centreline import centre_line
from vision.profiles import averaged, edge_positions, linear_at, sample_at, sample_profiles


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


@pytest.mark.parametrize("width", [10.0, 24.3, 61.0])
@pytest.mark.parametrize("blur", [0.7, 1.4])
def test_edges_of_a_plain_band(width: float, blur: float) -> None:
    # No shading, no shadow: where the colour changes fastest is the edge by construction.
    look = Look(flat=True, table=DARK, shadow=(0.0, 0.0), blur_px=blur, noise=0.004)
    photo, region = draw(Straight(length=330, angle_deg=8, centre=(200, 130)), width, look, seed=3)
    line = centre_line(region.mask, offset_px=region.box_px[:2])
    assert line is not None
    strip = averaged(sample_profiles(photo, line, half_length_px=width, step_px=0.5), 24)
    edges = edge_positions(strip, radius_px=width / 2, blur_px=0.7)
    found = np.nanmedian(edges[:, 1] - edges[:, 0])
    # At 10 px and this blur the two edges begin to run into each other.
    assert found == pytest.approx(width, abs=0.2 if width > 20 else 0.4)


def test_mean_along_the_piece_keeps_what_is_known() -> None:
    photo, region = draw(Straight(length=330, angle_deg=0, centre=(200, 20)), 20.0, Look(), seed=1)
    line = centre_line(region.mask, offset_px=region.box_px[:2])
    assert line is not None
    strip = sample_profiles(photo, line, half_length_px=40)
    mean = averaged(strip, 10)
    assert mean.profiles.shape == (10, len(strip.offsets_px), 3)
    known = np.isfinite(mean.profiles).all(axis=(0, 2))
    assert known[strip.offsets_px > -15].any() and not known.all()
    assert np.nanmean(mean.profiles) == pytest.approx(np.nanmean(strip.profiles), rel=0.02)
