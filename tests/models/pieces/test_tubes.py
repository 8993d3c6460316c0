"""Tube and its joints."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.look.finishes import BRASS
from rules.tube_sizes import tube_sizes
from tests.models.pieces.laid import labels, lay


def test_tube_has_a_size_that_is_sold() -> None:
    sizes = {od for od, _ in tube_sizes()}
    # EN 1057: 15, 22 and 28 mm are among the recommended sizes (from memory).
    assert {15.0, 22.0, 28.0} <= sizes
    for seed in range(6):
        (piece,) = lay("tube", seed=seed, finish="light")
        assert piece.diameter_mm in sizes
        if not piece.facts["crushed"]:
            points = piece.parts[0][0].points
            assert np.ptp(points[:, 2]) == pytest.approx(piece.diameter_mm, rel=0.02)


def test_a_round_run_goes_through_the_middle_of_its_tube() -> None:
    for kind in ("tube", "coupling", "elbow", "fitting"):
        for seed in range(3):
            (piece,) = lay(kind, seed=seed, finish="light")
            for axis, diameter in piece.round_runs:
                points = np.concatenate([mesh.points for mesh, _ in piece.parts[:1]])
                at = np.linspace(0, len(axis) - 1, 400)
                dense = np.stack([np.interp(at, np.arange(len(axis)), c) for c in axis.T], axis=1)
                near = np.linalg.norm(points[::5, None] - dense[None], axis=2).min(axis=1)
                walls = near[near < 0.6 * diameter]
                # All that is near the run is its outer or inner wall.
                assert np.quantile(walls, 0.9) == pytest.approx(diameter / 2, rel=0.02)


def test_brass_ends_are_brass_and_the_tube_is_not() -> None:
    for seed in range(4):
        (piece,) = lay("fitting", seed=seed, finish="bright")
        assert BRASS in labels(piece)
        assert BRASS not in np.unique(piece.parts[0][1].label)
        assert labels(lay("brass", seed=seed)[0]) == {BRASS}


def test_tubes_come_from_the_table_with_room_inside() -> None:
    sizes = tube_sizes()
    assert (15.875, 1.016) in sizes, "ASTM B88 type L 1/2"
    assert all(od > 2 * wall > 0 for od, wall in sizes)
