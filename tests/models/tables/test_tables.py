"""Tables."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.look.finishes import TABLE
from models.recipe.tables import tables


@pytest.mark.parametrize("kind", sorted(tables.KINDS))
def test_a_table_is_table_all_over(kind: str) -> None:
    skin = tables.KINDS[kind](256, 0.5, np.random.default_rng(46))
    assert skin.shape == (256, 256)
    assert (skin.label == TABLE).all()
    for field in (skin.base, skin.rough, skin.height, skin.metallic):
        assert np.isfinite(field).all()
