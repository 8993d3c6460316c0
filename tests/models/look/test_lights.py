"""Lights of the renders."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.look import lights
from models.recipe.look.lights import ENV_ROWS, LOW_SUN, STYLES, irradiance, make_light


@pytest.mark.parametrize("style", [s for s in STYLES if s != "sky_image"])
def test_every_light_sheds_some_on_the_table(style: str) -> None:
    for seed in range(3):
        rng = np.random.default_rng([76, seed])
        light = make_light(rng, skies=[], camera_mm=np.array([0, 0, 250.0]), style=style)
        assert np.isfinite(light.env).all()
        assert (light.irradiance > 0).all()
        assert (light.irradiance >= irradiance(light.env) - 1e-6).all()


def test_a_low_sun_throws_shadows_longer_than_a_thing_is_thick() -> None:
    # A sun at height a throws a shadow 1 / tan(a) times as long as a thing is high.
    assert 1 / np.tan(LOW_SUN[1]) > 2
    for seed in range(8):
        rng = np.random.default_rng([77, seed])
        light = make_light(rng, skies=[], camera_mm=np.array([0, 0, 250.0]), style="low_sun")
        row = np.unravel_index(light.env.sum(axis=2).argmax(), light.env.shape[:2])[0]
        height = np.pi / 2 - (row + 0.5) / ENV_ROWS * np.pi
        assert LOW_SUN[0] - 0.02 < height < LOW_SUN[1] + 0.02


def test_two_lamps_stand_in_two_places() -> None:
    rng = np.random.default_rng(78)
    light = make_light(rng, skies=[], camera_mm=np.array([0, 0, 250.0]), style="two_lamps")
    first, second = (lamp.centre_mm for lamp in light.emitters[:2])
    assert np.linalg.norm(first - second) > 10
    assert first[2] > 0
    assert second[2] > 0


def test_irradiance_of_an_even_sky_is_pi() -> None:
    # A hemisphere of radiance 1 sheds pi on the ground (Lambert).
    assert np.allclose(irradiance(np.ones((256, 512, 3), np.float32)), np.pi, rtol=1e-3)


def test_whoever_stands_in_the_sun_stands_beside_the_scene() -> None:
    shaded = 0
    for seed in range(40):
        rng = np.random.default_rng([48, seed])
        light = lights.make_light(rng, skies=[], camera_mm=np.array([0, 0, 300.0]), style="sun")
        if not len(light.blockers):
            continue
        shaded += 1
        # Scenes reach 195 mm from the middle; nobody stands on what is laid.
        corners = light.blockers.reshape(-1, 3)
        assert np.hypot(corners[:, 0], corners[:, 1]).min() > 195
        assert corners[:, 2].min() > 0
    assert 5 < shaded < 35
