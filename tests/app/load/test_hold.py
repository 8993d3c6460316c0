"""What waiting brings, worked by hand."""

from __future__ import annotations

from decimal import Decimal

import pytest

from app.load.bins import Bin
from app.load.hold import hold
from tests.app.load.loads import buyer, kg, load, terms


def test_waiting_for_a_step_worked_by_hand() -> None:
    # 80 kg now, 10 kg a week, 8.00, from 100 kg 8.50, trip 25.
    told = terms(buyer(travel=Decimal(25)), [("no1", "8.00", "0"), ("no1", "8.50", "100")])
    now = load(Bin(name="A", grade="no1", weighed=kg("80")))
    rows = hold(told, now, kg_a_week={"no1": Decimal(10)}, weeks=2)
    # One week: once 90 * 8 - 25 = 695; twice (640 - 25) + (80 - 25) = 670; gain 25.
    assert rows[0].gain == 25.0
    # Two weeks: once 100 * 8.5 - 25 = 825; twice 615 + (160 - 25) = 750; gain 75,
    # which a fall of 75 / 640 = 11.7 % of what lies there would eat.
    assert rows[1].gain == 75.0
    assert rows[1].fall_share == pytest.approx(75 / 640)
