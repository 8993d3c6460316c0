"""Bare wire, braid and rods."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.pieces import wires
from models.recipe.pieces.wires import cut_end
from models.recipe.scene.ground import Ground
from tests.models.pieces.laid import bodies, ground


def test_cut_end_is_stated_and_level_with_its_height() -> None:
    ground = Ground(half_mm=(60, 60), rng=np.random.default_rng(1))
    piece = cut_end(np.random.default_rng(2), ground, height_mm=9.0)
    assert piece is not None
    assert piece.stated_form == "cut_end"
    assert 8.5 < max(mesh.points[:, 2].max() for mesh, _ in piece.parts) <= 9.0


def test_a_braid_has_as_many_strands_as_it_says_and_lies_flat() -> None:
    rng = np.random.default_rng([53, 1])
    piece = wires.braid(rng, ground(rng), finish="tinned")
    assert piece is not None
    assert piece.strand_diameter_mm is not None
    mesh = piece.parts[0][0]
    swept = [b for b in bodies(mesh) if len(b) > 8]
    assert len(swept) == piece.strands
    assert mesh.points[:, 2].max() < 5 * piece.strand_diameter_mm
    first = [b.reshape(-1, 7, 3)[0].mean(axis=0) for b in swept]
    wide = max(float(np.linalg.norm(p - q)) for p in first for q in first)
    assert wide == pytest.approx(float(str(piece.facts["width_mm"])), rel=0.15)


def test_rods_touch_and_each_is_its_own_piece() -> None:
    for seed in range(6):
        rng = np.random.default_rng([42, seed])
        found = wires.rods(rng, ground(rng), finish="bright")
        assert found is not None
        assert len(found) >= 2
        (first, d), (second, _) = (piece.round_runs[0] for piece in found[:2])
        at = np.linspace(0, len(first) - 1, 20 * len(first))
        dense = np.stack([np.interp(at, np.arange(len(first)), c) for c in first.T], axis=1)
        n = len(second)
        apart = [
            float(np.linalg.norm(dense - q, axis=1).min()) for q in second[n // 4 : 3 * n // 4 : 7]
        ]
        assert min(apart) == pytest.approx(d, rel=0.03), "neighbours touch"
