"""Which pieces a bin is better without, and what it says of one not weighed."""

from __future__ import annotations

import pytest

from app.load.bins import Bin
from app.load.stakes import kg_of, need_weights, pulls_for
from app.load.units import LoadError
from tests.app.load.loads import PRICES, buyer, piece, terms


def test_a_piece_too_good_for_its_bin_comes_out() -> None:
    b = Bin(name="A", grade="no2", pieces=(piece("a", "6", no2=1.0), piece("b", "4", no1=1.0)))
    plan = pulls_for(terms(buyer(), PRICES), b)
    assert [pull.id for pull in plan.pulls] == ["b"]
    assert plan.gain == pytest.approx(4 * (8 - 6))


def test_every_bin_that_is_still_to_be_weighed_is_named_at_once() -> None:
    light = [Bin(name=name, grade="no1", pieces=(piece(f"of-{name}"),)) for name in ("A", "B")]
    with pytest.raises(LoadError, match=r"2 bins .* A \(1 of 1 pieces\), B \(1 of 1 pieces\)"):
        need_weights(light)
    with pytest.raises(LoadError, match="1 of 1 pieces have no weight"):
        kg_of(light[0])
