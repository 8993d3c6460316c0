"""The reference surfaces: physics where there is some, and one scale with the recipe."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.look import optics
from vision.finish import tarnish_scale
from vision.finish.film import film_rgb
from vision.finish.tarnish_scale import green_bar, surface_colours, tarnish_bar


def test_the_scale_is_the_one_the_network_was_taught_on() -> None:
    assert np.array_equal(tarnish_scale.LEVELS, optics.LEVELS)
    levels = np.linspace(0.5, 1, 6)
    ours, metallic = surface_colours(levels)
    theirs, shares = optics.tarnish_look(levels)
    assert metallic == pytest.approx(shares)
    # Films are averaged over their spread in two ways; beyond 0.75 there is only brown.
    assert ours[-3:] == pytest.approx(theirs[-3:], abs=0.003)
    assert ours == pytest.approx(theirs, abs=0.04)


def test_level_0_is_bare_copper_by_its_optical_constants() -> None:
    colour, metallic = surface_colours(np.array([0.0]))
    assert colour[0] == pytest.approx(film_rgb([0.0])[0], abs=1e-9)
    assert metallic[0] == 1


def test_more_tarnish_is_never_lighter() -> None:
    """Luminance by IEC 61966-2-1; the film alone may turn purple, but not brighter."""
    colours, metallic = surface_colours(np.linspace(0, 1, 41))
    light = colours @ np.array([0.2126, 0.7152, 0.0722])
    assert (np.diff(light) < 1e-3).all()
    assert (np.diff(metallic) <= 0).all()


def test_the_strip_runs_from_fresh_to_black_and_is_the_same_each_time() -> None:
    bar = tarnish_bar(600, 120)
    assert bar.shape == (120, 600, 3)
    means = bar.reshape(120, 6, 100, 3).mean(axis=(0, 2))
    assert (np.diff(means.sum(axis=1)) < 0).all()
    assert means[-1].max() < 80 < means[0].min()
    tarnish_bar.cache_clear()
    assert np.array_equal(tarnish_bar(600, 120), bar)


def test_green_is_green() -> None:
    patch = green_bar(150, 120).reshape(-1, 3).astype(int)
    is_green = (patch[:, 1] > patch[:, 0]) & (patch[:, 1] > patch[:, 2])
    assert 0.35 < is_green.mean() < 0.95
