"""Loads and plans in words."""

from __future__ import annotations

from decimal import Decimal

import pytest

from app.load.bins import Bin, Load, Piece
from app.load.report import load_text, pull_words
from app.load.sorting import TRAY
from app.load.units import MassUnit
from app.load.weights import WeightOrigin, of_normal


@pytest.mark.parametrize(
    ("gain", "told"),
    [
        (6.5, "USD +6.50"),
        (0.0, "nothing alone, only with the next one"),
        (-0.004, "nothing alone, only with the next one"),
    ],
)
def test_a_pull_that_needs_the_next_one_says_so(gain: float, told: str) -> None:
    assert pull_words(gain, "USD") == told


def test_a_short_wire_weighs_more_than_nothing() -> None:
    light = of_normal(Decimal("0.0014"), 0.0002, WeightOrigin.ESTIMATED, "outline")
    piece = Piece(id="p1", name="a rather long name for a bit", p={"no1": 1.0}, weight=light)
    told = load_text(
        Load(name="load", bins=(Bin(name="tub", grade="no1", pieces=(piece,)),)), unit=MassUnit.LB
    )
    assert "about 0.003 (0.002 to 0.004) lb" in told
    assert max(map(len, told.splitlines())) <= 80


def test_what_waits_in_the_tray_is_told_with_its_check_and_without_a_figure() -> None:
    waiting = Piece(id="p1", name="tube", p={"no1": 0.6, "no2": 0.4}, settle="scrape a spot")
    tray = Load(name="load", bins=(Bin(name=TRAY, grade=TRAY, pieces=(waiting,)),))
    told = load_text(tray, unit=MassUnit.LB)
    assert "to check (not sorted yet): 1 piece" in told
    assert "? no1 " in told
    assert "60 %" not in told
    assert "p1: Scrape a spot." in told
