"""Loads and plans in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from app.load.bins import Bin, Load, Piece
from app.load.demo import demo_load
from app.load.prices import Price
from app.load.report import how_sure, load_text, prices_text, pull_words
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


def test_how_sure_a_piece_is_is_told_as_on_the_page_of_its_photo() -> None:
    (cable,) = (piece for piece in demo_load().pieces if piece.name.startswith("garage cable"))
    assert how_sure(replace(cable, confidence=0.954)) == "95 %"
    assert how_sure(replace(cable, confidence=None, p={"set_aside": 0.96, "no2": 0.04})) == "96 %"
    # Nobody measured a lot.
    assert how_sure(Piece(id="p1", name="lot", p={"no1": 1.0})) == "as said"


def test_least_weights_are_told_in_the_unit_of_the_price() -> None:
    step = Price(
        buyer="Yard", grade="no1", amount=Decimal("3.98"), per=MassUnit.LB, currency="USD",
        day=date(2026, 3, 20), from_kg=Decimal("45.359237"),
    )  # fmt: skip
    assert "USD 3.98 a lb from 100 lb  2026-03-20" in prices_text([step], today=date(2026, 3, 21))
