"""Colour conversions against the standards' own values."""

from __future__ import annotations

import numpy as np
import pytest

from vision.photo.colour import (
    DISPLAY_P3_TO_SRGB,
    SRGB_TO_XYZ,
    display_p3_to_srgb,
    from_linear,
    luminance,
    strongest_channel,
    to_linear,
)


def random_codes(seed: int = 3, shape: tuple[int, ...] = (40, 50, 3)) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 256, shape, dtype=np.uint8)


# IEC 61966-2-1: the curve at these codes, computed with colour-science 0.4.7.
@pytest.mark.parametrize(
    ("code", "light"), [(0, 0.0), (10, 0.003035), (11, 0.003347), (128, 0.215861), (188, 0.502886)]
)
def test_codes_become_the_light_that_the_standard_says(code: int, light: float) -> None:
    assert to_linear(np.full((2, 2, 3), code, np.uint8)) == pytest.approx(light, abs=1e-6)


def test_every_code_comes_back_from_its_light() -> None:
    codes = np.arange(256, dtype=np.uint8)
    assert np.array_equal(from_linear(to_linear(codes)), codes)


# IEC 61966-2-1: 18 % grey is code 117.65.
def test_grey_card_gets_its_code() -> None:
    assert from_linear(np.array([0.18])) == 118


def test_light_outside_the_range_is_clipped() -> None:
    assert from_linear(np.array([-0.5, 1.5], np.float32)).tolist() == [0, 255]


@pytest.mark.parametrize("shape", [(0, 3), (7,), (7, 3), (5, 6, 3), (4, 5, 6, 3), (0, 4, 3)])
def test_shape_is_kept(shape: tuple[int, ...]) -> None:
    codes = random_codes(shape=shape)
    assert to_linear(codes).shape == shape
    assert to_linear(codes).dtype == np.float32
    assert from_linear(to_linear(codes)).shape == shape


# IEC 61966-2-1, rows to four places as printed there.
def test_matrix_to_xyz_is_the_printed_one() -> None:
    printed = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    assert pytest.approx(np.array(printed), abs=5e-5) == SRGB_TO_XYZ
    assert pytest.approx([0.9505, 1.0, 1.0891], abs=2e-4) == SRGB_TO_XYZ.sum(axis=1)  # the white


def test_half_the_light_is_half_the_luminance() -> None:
    light = to_linear(random_codes()) + np.float32(0.01)
    assert luminance(light / 2) == pytest.approx(luminance(light) / 2, rel=1e-5)


# CSS Color Module Level 4 prints lin_P3 to XYZ and XYZ to lin_sRGB as fractions; their
# product is this matrix to four places (from memory). Rows add up to 1: white stays white.
def test_display_p3_matrix_is_the_published_one() -> None:
    published = [[1.2249, -0.2249, 0], [-0.0420, 1.0420, 0], [-0.0197, -0.0786, 1.0979]]
    assert pytest.approx(np.array(published), abs=6e-4) == DISPLAY_P3_TO_SRGB
    assert DISPLAY_P3_TO_SRGB.sum(axis=1) == pytest.approx(1.0, abs=1e-9)


# What sRGB's own primaries are in Display P3: #EA3323, #75FB4C, #0000F5 (CSS Color Module
# Level 4 examples, from memory). Blue stays 1 code off: its third decimal is rounded there.
@pytest.mark.parametrize(
    ("p3", "srgb"),
    [
        ((0xEA, 0x33, 0x23), (255, 0, 0)),
        ((0x75, 0xFB, 0x4C), (0, 255, 0)),
        ((0x00, 0x00, 0xF5), (0, 0, 255)),
        ((255, 255, 255), (255, 255, 255)),
        ((90, 90, 90), (90, 90, 90)),
    ],
)
def test_display_p3_colours_find_their_srgb_codes(
    p3: tuple[int, int, int], srgb: tuple[int, int, int]
) -> None:
    converted = display_p3_to_srgb(np.full((70, 3, 3), p3, np.uint8))
    # Near zero one code of Display P3 is several codes of sRGB: hence the tolerance.
    assert np.abs(converted.astype(int) - srgb).max() <= (14 if 0 in srgb else 0)
    assert (
        np.abs(converted.astype(int) - srgb)[np.broadcast_to(srgb, converted.shape) > 0].max() <= 1
    )


def test_the_strongest_channel_is_that_of_each_pixel() -> None:
    rgb = np.random.default_rng(3).integers(0, 256, (17, 23, 3), dtype=np.uint8)
    assert np.array_equal(strongest_channel(rgb), rgb.max(axis=2))
