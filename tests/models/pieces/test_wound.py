"""Windings."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.look.finishes import COATED, OTHER, STRANGER
from models.recipe.pieces.wound import MOST_POINTS
from tests.models.pieces.laid import labels, lay


@pytest.mark.parametrize("kind", ["coil", "hank", "bobbin"])
def test_a_winding_is_one_wire_as_thick_as_it_says(kind: str) -> None:
    for seed in range(4):
        (piece,) = lay(kind, seed=seed, finish="enamel")
        assert piece.diameter_mm == piece.strand_diameter_mm
        assert piece.diameter_mm is not None
        mesh, skin = piece.parts[0]
        assert (skin.label == COATED).all()
        assert len(mesh.points) < 1.4 * MOST_POINTS
        # The profile's first ring: its mean width is perimeter / pi (Cauchy).
        first = mesh.points[: len(mesh.points) // 2]
        step = np.linalg.norm(np.diff(first[:120], axis=0), axis=1)
        sides = int(np.argmax(step > 1.5 * np.median(step[:6])))
        ring = first[: sides + 1]
        around = np.linalg.norm(np.diff(ring, axis=0), axis=1).sum()
        assert around / np.pi == pytest.approx(piece.diameter_mm, rel=0.02)


def test_a_former_is_no_part_of_the_trade() -> None:
    for seed in range(6):
        (piece,) = lay("bobbin", seed=seed, finish="enamel")
        assert labels(piece) - {COATED} <= {OTHER, STRANGER}
