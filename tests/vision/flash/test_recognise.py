"""A flash is known by the camera's notes, and by how its light falls off on the table."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision.flash.recognise import (
    FIRED_P,
    LIT_P,
    NOT_FIRED_P,
    UNTOLD_P,
    lamp_share,
    lit_by_itself,
    recognised,
)
from vision.photo.colour import from_linear
from vision.types import FloatArray, Photo

WIDTH, HEIGHT, FOCAL = 640, 480, 480.0


def falling() -> FloatArray:
    """Cosine to the fourth over the photo: 1 / (1 + tan²)², of similar triangles."""
    y, x = (np.mgrid[:HEIGHT, :WIDTH] - np.array([[[239.5]], [[319.5]]])) / FOCAL
    return np.asarray((1 + x**2 + y**2) ** -2.0)


def table(light: FloatArray) -> Photo:
    noisy = light * (1 + 0.01 * np.random.default_rng(1).standard_normal(light.shape))
    grey = np.clip(np.stack([noisy] * 3, axis=-1), 0, 1).astype(np.float32)
    return Photo(name="table", sha256="", rgb=from_linear(grey), focal_px=FOCAL)


@pytest.mark.parametrize("times", [1.5, 4.0, 20.0])
def test_a_flash_is_known_by_its_falling_off(times: float) -> None:
    photo = table(0.7 * (1 + times * falling()) / (1 + times))
    assert lamp_share(photo) == pytest.approx(times / (1 + times), abs=0.05)
    assert recognised(photo) > 0.6


def test_things_on_the_table_do_not_hide_it() -> None:
    light = 0.7 * (1 + 5 * falling()) / 6
    light[180:260, 100:560] = 0.1
    light[60:140, 200:330] = 0.9
    assert recognised(table(light)) > 0.8


def test_light_from_one_side_and_a_lens_that_darkens_corners_are_no_flash() -> None:
    x = np.linspace(-1, 1, WIDTH)[None]
    y = np.linspace(-0.75, 0.75, HEIGHT)[:, None]
    # The most that the recipe's lenses darken: 18 % of the square of the distance.
    photo = table(0.6 * (1 + 0.4 * x) * (1 - 0.18 * (x**2 + y**2)))
    assert recognised(photo) < 0.2


def test_where_no_table_shows_nothing_is_claimed() -> None:
    patches = np.random.default_rng(2).uniform(0.02, 0.9, (24, 32))
    assert lamp_share(table(np.kron(patches, np.ones((20, 20))))) is None
    assert recognised(table(np.kron(patches, np.ones((20, 20))))) == UNTOLD_P


def test_the_cameras_notes_come_first() -> None:
    photo = table(0.7 * falling())
    assert recognised(replace(photo, flash_fired=False)) == NOT_FIRED_P
    assert recognised(replace(table(np.full((HEIGHT, WIDTH), 0.5)), flash_fired=True)) == FIRED_P


def test_something_pale_in_the_middle_of_a_dark_table_is_no_flash() -> None:
    light = np.full((HEIGHT, WIDTH), 0.35)
    light[90:390, 140:500] = 0.75
    assert recognised(table(light)) <= UNTOLD_P


def test_a_photo_by_itself_is_lit_by_the_flash_only_where_its_file_says_so() -> None:
    photo = table(0.7 * falling())
    # Bayes by hand: 0.95 and 1 in 20 give 0.95 * 0.05 / (0.95 * 0.05 + 0.05 * 0.95) = 1/2.
    assert recognised(photo) == pytest.approx(0.95)
    assert lit_by_itself(photo) == pytest.approx(0.5)
    assert lit_by_itself(replace(photo, flash_fired=True)) >= LIT_P
