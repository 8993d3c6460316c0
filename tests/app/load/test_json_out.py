"""Loads, plans and tickets as JSON: what a script reads adds up to the cent, by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import Any

import numpy as np
import pytest

from app.load.bins import Bin
from app.load.buyers import OwnLimit
from app.load.json_out import (
    buyers_object,
    load_object,
    plan_object,
    prices_object,
    ticket_object,
    tickets_object,
)
from app.load.prices import Price
from app.load.settling import settle
from app.load.sorting import TRAY
from app.load.ticket import PaidLine
from app.load.units import MassUnit
from app.load.weights import WeightOrigin, of_normal
from rules.table import AtLimit, Lift
from tests.app.load.loads import DAY, buyer, kg, load, piece
from tests.app.load.test_cuts_pdf import a_plan
from tests.app.load.tickets import a_load, a_ticket


def read_back(told: dict[str, Any]) -> dict[str, Any]:
    """As a script reads it: JSON has no NaN and no Decimal (RFC 8259)."""
    read: dict[str, Any] = json.loads(json.dumps(told, allow_nan=False))
    assert read == told
    return read


# ------------------------------------------------------------------------- load


def test_a_load_tells_its_mass_in_the_unit_that_was_asked_for() -> None:
    # 6 + 4 + 3 kg; 13 / 0.45359237 = 28.6601 lb (yard and pound agreement of 1959).
    told = read_back(load_object(a_load(), unit=MassUnit.LB))
    assert (told["kg"], told["mass"], told["unit"]) == ("13", "28.6601", "lb")
    assert Decimal(load_object(a_load(), unit=MassUnit.KG)["mass"]) == 13
    bins = {one["name"]: one for one in told["bins"]}
    assert [one["id"] for one in bins["ones"]["pieces"]] == ["a", "b"]
    assert not bins["ones"]["weighed_as_a_whole"] and bins["twos"]["weighed_as_a_whole"]


def test_a_weight_tells_where_it_is_from_and_how_sure() -> None:
    # 95 % of a normal value lie within 1.96 u.
    estimated = of_normal(Decimal("2.0"), 0.1, WeightOrigin.ESTIMATED, "length and size")
    one = replace(piece("a"), weight=estimated)
    told = load_object(load(Bin(name="ones", grade="no1", pieces=(one,))), unit=MassUnit.KG)
    weight = told["bins"][0]["pieces"][0]["weight"]
    assert (weight["kg"], weight["u_kg"], weight["is"]) == ("2.0", 0.1, "estimated")
    assert weight["low95_kg"] == pytest.approx(2 - 0.196, abs=1e-3)
    assert weight["high95_kg"] == pytest.approx(2 + 0.196, abs=1e-3)


def test_what_nobody_weighed_has_no_weight() -> None:
    told = load_object(load(Bin(name="ones", grade="no1", pieces=(piece("a"),))), unit=MassUnit.KG)
    assert told["bins"][0]["pieces"][0]["weight"] is None
    assert told["bins"][0]["weight"] is None
    assert told["kg"] == "0"


def test_a_piece_tells_its_chances_its_check_and_its_lifts() -> None:
    one = replace(
        piece("a", "1", no1=0.75, no2=0.25),
        settle="magnet",
        lifts=(Lift(action="cut the end off", to="no1", minutes=2.0),),
    )
    told = read_back(load_object(load(Bin(name="t", grade=TRAY, pieces=(one,))), unit=MassUnit.KG))
    (seen,) = told["bins"][0]["pieces"]
    assert seen["grade"] == "no1"
    assert seen["p"] == {"no1": 0.75, "no2": 0.25}
    assert seen["lifts"] == [{"action": "cut the end off", "to": "no1", "minutes": 2.0}]
    assert told["checks"] == [{"check": "magnet", "pieces": ["a"]}]


# --------------------------------------------------------------- buyers and prices


def test_a_buyers_own_thresholds_and_money_keep_every_decimal() -> None:
    own = {"min_strand": OwnLimit(value=1.3, at_limit=AtLimit.FAILS)}
    who = buyer(deduction=Decimal("0.025"), travel=Decimal("7.50"), limits=own, forgiven=1)
    (told,) = read_back(buyers_object([who]))["buyers"]
    assert (told["deduction"], told["travel"], told["least_kg"]) == ("0.025", "7.50", "0")
    assert told["limits"] == {"min_strand": {"value": 1.3, "at_limit": "fails"}}
    assert told["forgiven"] == 1
    (bare,) = buyers_object([buyer(limits={"x": OwnLimit()})])["buyers"]
    assert bare["limits"] == {"x": {"value": None, "at_limit": None}}


@pytest.mark.parametrize(("days", "stale"), [(0, False), (400, True)])
def test_a_price_tells_whether_it_is_old(days: int, *, stale: bool) -> None:
    price = Price(
        buyer="A", grade="no1", amount=Decimal("4.1250"), per=MassUnit.LB, currency="USD", day=DAY
    )
    (told,) = read_back(prices_object([price], today=DAY + timedelta(days=days)))["prices"]
    assert (told["amount"], told["per"], told["day"]) == ("4.1250", "lb", "2026-03-20")
    assert told["stale"] is stale


# ------------------------------------------------------------------------- plan


def test_each_offer_is_the_sum_of_its_lines() -> None:
    told = read_back(plan_object(a_plan(), unit=MassUnit.LB))
    assert told["offers"]
    for offer in told["offers"]:
        summed = sum(Decimal(line["amount"]) for line in offer["lines"])
        assert summed == Decimal(offer["labelled"])
        expected = sum(line["expected"] for line in offer["lines"])
        assert offer["expected"] == pytest.approx(expected, abs=0.02)
        assert offer["net"] == pytest.approx(offer["expected"] - float(offer["travel"]), abs=0.011)
        assert offer["low95"] <= offer["expected"] <= offer["high95"]


def test_each_line_is_its_paid_mass_at_its_price() -> None:
    lb = Decimal("0.45359237")
    for offer in plan_object(a_plan(), unit=MassUnit.LB)["offers"]:
        for line in offer["lines"]:
            per_kg = Decimal(line["price"]) / (lb if line["per"] == "lb" else 1)
            amount = Decimal(line["paid_kg"]) * per_kg
            assert Decimal(line["amount"]) == pytest.approx(amount, abs=Decimal("0.005"))


def test_the_evening_and_the_pulls_add_up() -> None:
    told = plan_object(a_plan(), unit=MassUnit.LB)
    evening = told["evening"]
    assert evening["minutes"] <= evening["limit_minutes"]
    assert evening["gain"] == pytest.approx(sum(w["gain"] for w in evening["chosen"]), abs=0.05)
    assert all(w["pays"] for w in evening["chosen"])
    hours = [w["an_hour"] for w in evening["chosen"]]
    assert hours == sorted(hours, reverse=True), "best paid first"
    for found in told["pulls"].values():
        assert found["p_downgrade_after"] <= found["p_downgrade"]
        assert found["gain"] >= 0


def test_from_the_least_weight_on_a_job_pays_the_hour() -> None:
    # What a kilogram gains is linear in the gap of prices, and kilograms times it are the hour's
    # cost: one over the least weight is a straight line over the gap, and rises.
    kinds = plan_object(a_plan(), unit=MassUnit.LB)["break_even"]
    assert kinds
    for kind in kinds:
        gaps, least = zip(*kind["curve"], strict=True)
        assert list(gaps) == sorted(gaps)
        inverse = 1 / np.array(least)
        slope, start = np.polyfit(gaps, inverse, 1)
        assert slope > 0
        assert start + slope * np.array(gaps) == pytest.approx(inverse, rel=0.02)
        if kind["least_kg"] is not None:
            assert min(least) <= kind["least_kg"] <= max(least)


# ----------------------------------------------------------------------- ticket


def test_a_ticket_is_what_was_written_and_paid_to_the_cent() -> None:
    # 10 kg at 8.00 and 3 kg at 6.00, the first paid at 60.
    paid = settle(
        a_ticket(),
        [PaidLine(bin="ones", grade="no2", amount=Decimal(60), kg=Decimal("9.9"), blamed=("b",))],
        day=DAY,
    )
    told = read_back(ticket_object(paid))
    assert (told["labelled"], told["expected"], told["travel"]) == ("98.00", "93.00", "5")
    assert [line["amount"] for line in told["lines"]] == ["80.00", "18.00"]
    assert told["settled"]["paid"] == "78.00"
    first, second = told["settled"]["lines"]
    assert (first["kg"], first["blamed"]) == ("9.9", ["b"])
    assert (second["kg"], second["blamed"], second["amount"]) == (None, [], "18.00")
    differences = [Decimal(one["difference"]) for one in told["settled"]["by_grade"]]
    assert sum(differences) == Decimal("78.00") - Decimal("98.00")


def test_a_ticket_names_what_may_be_questioned() -> None:
    told = ticket_object(a_ticket())
    assert told["settled"] is None
    assert [(one["piece"], one["bin"], one["p_wrong"]) for one in told["questioned"]] == [
        ("b", "ones", 0.25)
    ]
    assert tickets_object([a_ticket(), a_ticket()])["tickets"] == [told, told]


def test_a_weight_off_a_scale_keeps_its_zeros() -> None:
    told = load_object(load(Bin(name="t", grade="no2", weighed=kg("3.50"))), unit=MassUnit.KG)
    assert told["bins"][0]["weight"]["kg"] == "3.50"
