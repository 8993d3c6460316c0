"""Whole scenes."""

from __future__ import annotations

import numpy as np

from models.recipe.scene import assembly as scene


def test_the_same_seed_builds_the_same_scene() -> None:
    made = [
        scene.build(np.random.default_rng(8), half_mm=(80, 60), kinds=["wire"], reference="card")
        for _ in range(2)
    ]
    assert np.array_equal(made[0].mesh.points, made[1].mesh.points)
    assert np.array_equal(made[0].atlas.base, made[1].atlas.base)
    assert made[0].mesh.points[made[0].mesh.faces[made[0].face_piece == 1]].min() > -80
