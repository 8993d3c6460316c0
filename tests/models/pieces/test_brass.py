"""Brass."""

from __future__ import annotations

import numpy as np

from models.recipe.look import finishes
from models.recipe.look.finishes import BRASS


def test_a_knurl_is_relief_and_leaves_brass_brass() -> None:
    from models.recipe.pieces.brass import knurled

    plain = finishes.plain((300, 120), colour=(0.7, 0.5, 0.2), label=BRASS)
    skin = knurled(plain, mm=(30, 12), pitch_mm=1.0)
    assert (skin.label == BRASS).all()
    assert np.ptp(skin.height[150]) > 0.1
    assert np.ptp(skin.height[:10]) == 0
