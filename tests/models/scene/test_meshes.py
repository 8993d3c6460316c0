"""Swept meshes and laid strands."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.scene.meshes import (
    concentric_offsets,
    outward,
    round_profile,
    strand_paths,
    sweep,
)


@pytest.mark.parametrize(("sides", "diameter_mm"), [(10, 0.16), (24, 1.2908), (48, 15.875)])
def test_mean_width_of_a_swept_wire_is_its_diameter(sides: int, diameter_mm: float) -> None:
    # Cauchy: the mean width of a convex figure over all directions is perimeter / pi.
    points, _ = round_profile(diameter_mm, sides=sides)
    perimeter = np.linalg.norm(np.diff(points, axis=0), axis=1).sum()
    assert perimeter / np.pi == pytest.approx(diameter_mm, rel=1e-12)


def test_a_straight_sweep_keeps_the_profile_and_looks_outward() -> None:
    line = np.column_stack([np.linspace(0, 50, 12), np.zeros(12), np.full(12, 2.0)])
    mesh = outward(sweep(line, round_profile(4.0, sides=32)))
    ring = mesh.points[: 12 * 33]
    radius = np.hypot(ring[:, 1], ring[:, 2] - 2.0)
    expected = 2.0 * (np.pi / 32) / np.sin(np.pi / 32)
    assert np.allclose(radius, expected, rtol=1e-9)
    assert mesh.points[:, 2].min() == pytest.approx(0.0, abs=0.004)
    a, b, c = (mesh.points[mesh.faces[:, k]] for k in range(3))
    middle = (a + b + c) / 3
    side = np.abs(middle[:, 0] - 25) < 24
    axis = np.column_stack([middle[:, 0], np.zeros(len(middle)), np.full(len(middle), 2.0)])
    flat = np.cross(b - a, c - a)
    assert (np.einsum("nk,nk->n", flat, middle - axis)[side] > 0).all()


def test_seven_strands_touch_and_turn_once_in_a_lay() -> None:
    strand, lay = 1.5, 50.0
    offsets, layers = concentric_offsets(7, strand)
    path = np.column_stack([np.linspace(0, 100, 401), np.zeros((401, 2))])
    paths = strand_paths(path, offsets=offsets, lay_mm=np.full(7, lay), floor_mm=-10)
    assert (layers[1:] == 1).all()
    assert len(np.unique(np.round(offsets, 9), axis=0)) == 7
    # Six round one: neighbours in the layer touch, and so does each the middle.
    gaps = np.linalg.norm(paths[1:, 0] - np.roll(paths[1:, 0], 1, axis=0), axis=1)
    assert np.allclose(gaps, strand)
    assert np.allclose(np.hypot(paths[1:, :, 1], paths[1:, :, 2]), strand)
    assert np.allclose(paths[:, 0, 1:], paths[:, 200, 1:], atol=1e-9), "one lay is one turn"
    assert not np.allclose(paths[1, 0, 1:], paths[1, 100, 1:])


def test_nineteen_strands_fill_two_layers() -> None:
    offsets, layers = concentric_offsets(19, 1.0)
    assert np.bincount(layers).tolist() == [1, 6, 12]
    # Outer diameter of 19 concentric strands is five of one: ASTM B8 geometry.
    assert 2 * np.hypot(*offsets.T).max() + 1.0 == pytest.approx(5.0)
