"""Outlines with fewer points."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.polygons import simple_outline


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


@given(
    st.lists(st.tuples(st.floats(0, 4000), st.floats(0, 3000)), min_size=3, max_size=60),
    st.sampled_from([0.5, 1.0, 4.0]),
)
def test_no_point_lies_further_off_than_told(
    points: list[tuple[float, float]], tolerance_px: float
) -> None:
    """Douglas and Peucker's promise (Cartographica 10, 1973, 112), by distance to the segments."""
    outline = np.array(points, np.float32)
    simple = simple_outline(outline, tolerance_px=tolerance_px)
    after = np.roll(simple, -1, axis=0)
    for point in outline.astype(float):
        run = after - simple
        length = np.maximum((run**2).sum(axis=1), 1e-12)
        share = np.clip(((point - simple) * run).sum(axis=1) / length, 0, 1)
        away = np.hypot(*(point - simple - share[:, None] * run).T)
        assert away.min() <= tolerance_px + 0.01


def test_corners_are_kept_and_points_between_them_go() -> None:
    side = np.linspace(0, 300, 50)
    triangle = np.concatenate(
        [
            np.column_stack([side, np.zeros(50)]),
            np.column_stack([300 - side, side]),
            np.column_stack([np.zeros(50), 300 - side]),
        ]
    )
    corners = {tuple(point) for point in simple_outline(triangle).round().tolist()}
    assert corners == {(0.0, 0.0), (300.0, 0.0), (0.0, 300.0)}
