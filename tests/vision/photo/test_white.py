"""The light's colour: from the reference exactly, from the scene with honest doubt."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.photo.colour import from_linear
from vision.photo.white import U_REFERENCE, WhiteOrigin, estimate_white
from vision.types import FloatArray, Photo, Scale


def photo_of(linear: FloatArray) -> Photo:
    return Photo(name="drawn", sha256="0" * 64, rgb=from_linear(linear))


def scale_with(white: FloatArray | None) -> Scale:
    return Scale(
        reference="card",
        mm_from_px=np.diag([0.1, 0.1, 1.0]),
        mm_per_px=0.1,
        u_rel=0.002,
        budget={"edges": 0.002},
        tilt_deg=0.0,
        residual_px=0.2,
        outlines_px=(np.array([[10.0, 10], [60, 10], [60, 40], [10, 40]]),),
        white=white,
    )


def scene(rng: np.random.Generator, cast: FloatArray, *, table: FloatArray) -> FloatArray:
    """Return a table with grain and some patches of random colour, under a cast."""
    light = np.empty((180, 240, 3))
    grain = cv2.GaussianBlur(rng.normal(size=light.shape[:2]), (0, 0), 1.5)
    light[:] = table * (1 + 0.3 * grain[..., None])
    for _ in range(8):
        x, y = rng.integers(0, 200), rng.integers(0, 150)
        light[y : y + rng.integers(8, 40), x : x + rng.integers(8, 60)] = rng.uniform(0.05, 0.7, 3)
    return np.clip(light * cast, 0, 1)


def log_ratios(rgb: FloatArray) -> FloatArray:
    return np.array([np.log(rgb[0] / rgb[1]), np.log(rgb[2] / rgb[1])])


def test_the_references_white_is_taken_as_it_is() -> None:
    white = np.array([0.71, 0.66, 0.52])
    found = estimate_white(photo_of(np.full((60, 80, 3), 0.3)), scale_with(white))
    assert np.array_equal(found.rgb, white)
    assert found.origin is WhiteOrigin.REFERENCE
    assert found.u == U_REFERENCE


def test_without_a_white_the_scene_is_a_guess_with_more_doubt() -> None:
    photo = photo_of(scene(np.random.default_rng(1), np.ones(3), table=np.full(3, 0.6)))
    guess = estimate_white(photo, scale_with(None))
    known = estimate_white(photo, scale_with(np.full(3, 0.8)))
    assert guess.origin is WhiteOrigin.SCENE
    assert guess.u > 2 * known.u
    assert guess.u_level > 2 * known.u_level


@pytest.mark.parametrize("table", [[0.7, 0.7, 0.68], [0.3, 0.3, 0.3], [0.4, 0.25, 0.14]])
def test_stated_doubt_covers_the_error_under_phone_like_casts(table: list[float]) -> None:
    """White, grey and wood tables; casts whose log ratios spread by 0.08.

    Published medians of 4 to 5 degrees of angular error (grey edge, shades of grey)
    are about 0.08 in a log ratio; that is what a phone's own balance leaves, at worst.
    """
    rng = np.random.default_rng(2)
    errors, stated = [], []
    for _ in range(20):
        cast = np.exp(rng.normal(0, 0.08 / 2**0.5, 3))
        photo = photo_of(scene(rng, 0.8 * cast, table=np.array(table)))
        found = estimate_white(photo)
        errors.append(log_ratios(found.rgb) - log_ratios(cast))
        stated.append(found.u)
    rms = float(np.sqrt(np.mean(np.square(errors))))
    assert rms < 1.3 * np.mean(stated), "we claim less doubt than there is"


def test_a_frame_full_of_copper_does_not_become_grey() -> None:
    copper = np.empty((120, 160, 3))
    copper[:] = np.array([0.55, 0.26, 0.15])
    copper *= np.linspace(0.3, 1.4, 160)[None, :, None]
    found = estimate_white(photo_of(np.clip(copper, 0, 1)))
    assert np.abs(log_ratios(found.rgb)).max() < 0.05


def test_excluded_pieces_do_not_speak_for_the_light() -> None:
    light = np.full((120, 160, 3), 0.5)
    light[30:90, 40:120] = np.array([0.5, 0.62, 0.68])
    mask = np.zeros((120, 160), bool)
    mask[25:95, 35:125] = True
    without = estimate_white(photo_of(light), None, (mask,))
    with_it = estimate_white(photo_of(light), None, ())
    assert np.abs(log_ratios(without.rgb)).max() < np.abs(log_ratios(with_it.rgb)).max()
    assert np.abs(log_ratios(without.rgb)).max() < 0.01


@pytest.mark.parametrize("code", [0, 255])
def test_a_black_or_burnt_photo_gets_the_prior(code: int) -> None:
    photo = Photo(name="x", sha256="0" * 64, rgb=np.full((64, 64, 3), code, np.uint8))
    found = estimate_white(photo)
    assert np.allclose(log_ratios(found.rgb), 0, atol=1e-6)
    assert found.rgb.min() > 0


def test_a_darker_shot_of_the_same_scene_has_the_same_colour_of_light() -> None:
    rng = np.random.default_rng(3)
    light = scene(rng, np.array([0.75, 0.7, 0.6]), table=np.full(3, 0.8))
    bright, dark = estimate_white(photo_of(light)), estimate_white(photo_of(light * 0.6))
    assert np.abs(log_ratios(bright.rgb) - log_ratios(dark.rgb)).max() < 0.03
