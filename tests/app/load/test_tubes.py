"""The tube tables against sizes that a plumber knows."""

from __future__ import annotations

import pytest

from app.load.tubes import walls_mm
from app.load.units import LoadError


def test_a_half_inch_tube_has_the_walls_of_types_k_l_and_m() -> None:
    # ASTM B88, nominal 1/2: 0.625 in outside; walls K 0.049, L 0.040, M 0.028 in (from memory).
    thin, thick = walls_mm(0.625 * 25.4)
    assert thin == pytest.approx(0.028 * 25.4, abs=0.02)
    assert thick == pytest.approx(0.049 * 25.4, abs=0.02)


@pytest.mark.parametrize("outer_mm", [3.0, 12.7, 15.0, 61.0, 300.0])
def test_a_wall_is_thinner_than_the_tube_is_thick(outer_mm: float) -> None:
    thin, thick = walls_mm(outer_mm)
    assert 0 < thin <= thick < outer_mm / 2


def test_no_diameter_has_no_wall() -> None:
    with pytest.raises(LoadError, match="above 0"):
        walls_mm(0.0)
