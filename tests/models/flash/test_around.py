"""How a surface throws light back: formulas held against what physics asks of them."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.flash.around import fresnel, lobe, shadowed

AXES = tuple(np.eye(3))


def test_a_clear_coat_reflects_as_dielectrics_do() -> None:
    # Born & Wolf, 1.5.2 and 1.5.3, for n = 1.5: ((n - 1) / (n + 1))² = 0.04 straight on, all of
    # it at a grazing angle, and at Brewster's angle half of ((n² - 1) / (n² + 1))² = 0.07396.
    brewster = np.cos(np.arctan(1.5))
    told = fresnel(np.array([1.0, brewster, 1e-9]), 1.5)
    assert told == pytest.approx([0.04, ((1.25 / 3.25) ** 2) / 2, 1.0], abs=1e-6)


@pytest.mark.parametrize("alpha", [(0.3, 0.3), (0.2, 0.6)])
def test_facets_seen_from_above_fill_the_surface(alpha: tuple[float, float]) -> None:
    """Walter et al. 2007, equation 4: the facets' projected areas sum to 1."""
    theta, phi = np.meshgrid(
        (np.arange(2000) + 0.5) / 2000 * np.pi / 2, (np.arange(400) + 0.5) / 400 * 2 * np.pi
    )
    half = np.stack(
        [np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)], axis=-1
    )
    density = lobe(half, AXES, (np.array(alpha[0]), np.array(alpha[1])))  # type: ignore[arg-type]
    cell = (np.pi / 2 / 2000) * (2 * np.pi / 400)
    assert (density * np.cos(theta) * np.sin(theta)).sum() * cell == pytest.approx(1, abs=1e-3)


def test_a_smooth_surface_hides_no_facet_and_a_rough_one_more_at_a_low_angle() -> None:
    assert shadowed(np.array([0.2, 0.9]), np.array(0.0)) == pytest.approx(1)
    # By hand, tan² = 3 at 60 degrees: 2 / (1 + sqrt(1 + 0.25 * 3)).
    assert shadowed(np.array(0.5), np.array(0.5)) == pytest.approx(2 / (1 + 1.75**0.5))
    rough = shadowed(np.array([0.1, 0.5, 1.0]), np.array(0.5))
    assert (np.diff(rough) > 0).all() and rough[-1] == pytest.approx(1)
