"""Outlines with fewer points."""

from __future__ import annotations

import numpy as np
import pytest

from vision.pieces.polygons import simple_outline


def test_a_simple_outline_stays_on_the_outline() -> None:
    turn = np.linspace(0, 2 * np.pi, 5000, endpoint=False)
    circle = np.column_stack([500 + 400 * np.cos(turn), 500 + 300 * np.sin(turn)])
    simple = simple_outline(circle)
    assert 20 < len(simple) <= 400
    away = np.abs(np.hypot((simple[:, 0] - 500) / 400, (simple[:, 1] - 500) / 300) - 1) * 400
    assert away.max() < 1.0


def test_a_ragged_outline_is_thinned_to_400_points() -> None:
    rng = np.random.default_rng(1)
    turn = np.linspace(0, 2 * np.pi, 9000, endpoint=False)
    radius = 800 + rng.normal(0, 25, turn.size)
    ragged = np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])
    assert len(simple_outline(ragged)) <= 400


@pytest.mark.parametrize("count", [0, 1, 2])
def test_an_outline_of_too_few_points_is_kept(count: int) -> None:
    assert len(simple_outline(np.zeros((count, 2)))) == count
