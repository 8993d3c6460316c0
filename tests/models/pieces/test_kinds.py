"""All kinds, as they lie on the table."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.look.finishes import TABLE
from models.recipe.pieces import kinds
from tests.models.pieces.laid import ground


@pytest.mark.parametrize("kind", sorted(kinds.KINDS))
def test_every_kind_lies_on_the_table_whole(kind: str) -> None:
    # Common practice, no source: what a person could lay there, within the ties' hidden undersides.
    for seed in range(3):
        rng = np.random.default_rng([40, seed])
        extra = {"height_mm": 8.0} if kind == "cut_end" else {}
        made = kinds.KINDS[kind](rng, ground(rng), **extra)
        assert made is not None
        for piece in made if isinstance(made, list) else [made]:
            for mesh, skin in piece.parts:
                assert np.isfinite(mesh.points).all()
                assert np.isfinite(mesh.normals).all()
                assert mesh.points[:, 2].min() > -3.0
                assert np.isfinite(skin.base).all()
                assert skin.base.min() >= 0
                assert skin.base.max() <= 1.0 + 1e-6
                assert not (skin.label == TABLE).any(), "a piece is never table"
