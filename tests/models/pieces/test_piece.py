"""Gauges."""

from __future__ import annotations

import pytest

from rules.gauge import mm_from_awg


@pytest.mark.parametrize(
    # ASTM B258 by the formula, tabled to 4 significant figures.
    ("number", "diameter_mm"),
    [(10, 2.588), (16, 1.291), (17, 1.150), (18, 1.024)],
)
def test_wire_gauge_follows_the_standard(number: int, diameter_mm: float) -> None:
    assert mm_from_awg(number) == pytest.approx(diameter_mm, abs=5e-4)
