"""Where things come to lie."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.scene.ground import Ground


def test_a_wire_laid_over_another_rests_on_it() -> None:
    ground = Ground(half_mm=(60, 60), rng=np.random.default_rng(1))
    below = np.column_stack([np.zeros(50), np.linspace(-40, 40, 50)])
    ground.stamp(below, radius=1.5, top=3.0)
    over = np.column_stack([np.linspace(-40, 40, 161), np.zeros(161)])
    z = ground.rest(over, radius=1.0, stiff_mm=12)
    assert z[80] == pytest.approx(4.0, abs=0.05)
    assert z[0] == pytest.approx(1.0)
