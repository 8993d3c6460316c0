"""Cable whose strands part company."""

from __future__ import annotations

import numpy as np

from models.recipe.pieces import fans
from tests.models.pieces.laid import bodies, ground


def test_a_fan_has_as_many_strands_as_it_says_and_each_as_thick() -> None:
    for seed in range(6):
        rng = np.random.default_rng([41, seed])
        piece = fans.fan(rng, ground(rng), finish="bright")
        assert piece is not None
        assert piece.facts["fanned"] is True
        assert piece.strand_diameter_mm is not None
        mesh = piece.parts[0][0]
        sides = 8 if piece.strand_diameter_mm < 0.25 else 10
        # A body is one swept surface or one of its two caps.
        swept = [b for b in bodies(mesh) if len(b) > sides + 2]
        assert len(swept) == piece.strands
        for body in swept:
            rings = body.reshape(-1, sides + 1, 3)
            around = np.linalg.norm(np.diff(rings, axis=1), axis=2).sum(axis=1)
            # Cauchy: the mean width of a convex figure is its perimeter / pi.
            assert np.allclose(around / np.pi, piece.strand_diameter_mm, rtol=1e-6)
        tips = np.array([b.reshape(-1, sides + 1, 3)[-1].mean(axis=0) for b in swept])
        assert np.ptp(tips, axis=0).max() > 2 * piece.strand_diameter_mm
