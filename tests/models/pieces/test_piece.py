"""Gauges, and how round wires are."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.pieces.piece import sides_of
from models.recipe.scene.meshes import round_profile
from rules.gauge import mm_from_awg


@pytest.mark.parametrize(
    # ASTM B258 by the formula, tabled to 4 significant figures.
    ("number", "diameter_mm"),
    [(10, 2.588), (16, 1.291), (17, 1.150), (18, 1.024)],
)
def test_wire_gauge_follows_the_standard(number: int, diameter_mm: float) -> None:
    assert mm_from_awg(number) == pytest.approx(diameter_mm, abs=5e-4)


@pytest.mark.parametrize("diameter_mm", [0.3, 1.291, 22.0])
def test_wire_is_as_wide_from_wherever_it_is_seen(diameter_mm: float) -> None:
    # A circle is equally wide in every direction; the aim for solid wire is 0.7 %.
    points, _ = round_profile(diameter_mm, sides=sides_of(diameter_mm))
    way = np.linspace(0, np.pi, 721)
    seen = np.ptp(points @ np.stack([np.cos(way), np.sin(way)]), axis=0)
    assert seen == pytest.approx(np.full(721, diameter_mm), rel=0.0035)
