"""What the bench of pairs does to an outline is what it says."""

from __future__ import annotations

import numpy as np
import pytest

from bench.pairs import MOVED_MM, TURNED_DEG, changed

BAR = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 10.0], [0.0, 10.0]])


def test_a_moved_outline_keeps_its_shape_and_goes_so_far() -> None:
    for seed in range(20):
        after = changed(BAR, "moved", 4.0, np.random.default_rng(seed))
        assert np.allclose(after - after[0], BAR - BAR[0])
        way_mm = np.linalg.norm(after[0] - BAR[0]) / 4.0
        assert MOVED_MM[0] <= way_mm <= MOVED_MM[1]


def test_a_turned_outline_stays_about_its_middle() -> None:
    for seed in range(20):
        after = changed(BAR, "turned", 4.0, np.random.default_rng(seed))
        assert after.mean(axis=0) == pytest.approx(BAR.mean(axis=0))
        along = after[1] - after[0]
        assert np.linalg.norm(along) == pytest.approx(100.0)
        angle = np.degrees(np.arccos(np.clip(along[0] / 100.0, -1, 1)))
        assert TURNED_DEG[0] - 1e-6 <= angle <= TURNED_DEG[1] + 1e-6
