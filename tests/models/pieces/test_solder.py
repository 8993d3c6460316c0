"""Solder at sockets and on wires."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.look.finishes import SOLDER
from models.recipe.pieces.solder import JOINTS, solder_ring
from tests.models.pieces.laid import labels, lay


def along_x(a: float, b: float) -> np.ndarray:
    """A tube along x, its socket's edge at 0."""
    return np.column_stack([np.linspace(a, b, 14), np.zeros(14), np.full(14, 10.0)])


@pytest.mark.parametrize("style", [s for s in JOINTS if s != "none"])
def test_solder_lies_on_the_tube_at_the_edge_of_the_socket(style: str) -> None:
    od, found = 15.0, 0
    for seed in range(10):
        for mesh in solder_ring(np.random.default_rng([71, seed]), along_x, od=od, style=style):
            found += 1
            away = np.hypot(mesh.points[:, 1], mesh.points[:, 2] - 10.0)
            assert away.max() > od / 2, "some of it stands out of the tube"
            assert away.max() < od / 2 + 4.5
            assert mesh.points[:, 0].min() > -1.0
            assert mesh.points[:, 0].max() < 15.0
    assert found > 8


def test_thin_rings_are_thin() -> None:
    for seed in range(10):
        for mesh in solder_ring(np.random.default_rng([72, seed]), along_x, od=22.0, style="thin"):
            away = np.hypot(mesh.points[:, 1], mesh.points[:, 2] - 10.0)
            assert away.max() < 11.0 + 0.6
            assert np.ptp(mesh.points[:, 0]) < 2.0


def test_some_joints_show_no_solder_and_most_do() -> None:
    # Common practice, no source: of capillary joints most show a ring; pressed ones show none.
    shown = [SOLDER in labels(lay("coupling", seed=k, finish="dull")[0]) for k in range(24)]
    assert 0.6 < np.mean(shown) < 1.0
    assert sum(JOINTS.values()) == pytest.approx(1.0)


def test_a_soldered_wire_shows_solder_somewhere() -> None:
    for seed in range(8):
        (piece,) = lay("soldered", seed=seed, finish="bright")
        assert SOLDER in labels(piece)
