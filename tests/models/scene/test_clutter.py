"""Things that lie about."""

from __future__ import annotations

import numpy as np

from models.recipe.look import finishes
from models.recipe.look.finishes import TABLE
from models.recipe.scene import clutter
from tests.models.pieces.laid import ground


def test_nothing_lying_about_is_taken_for_a_finish() -> None:
    for made in clutter.KINDS:
        rng = np.random.default_rng(47)
        for _, skin in made(rng, ground(rng)):
            labels = set(np.unique(skin.label))
            assert labels <= {TABLE, finishes.REFERENCE, finishes.OTHER, finishes.STRANGER}
