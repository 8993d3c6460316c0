"""A whole plan says what its parts say, each of which is worked out by hand elsewhere."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from functools import cache

import pytest

from app.load.bins import Bin, Load
from app.load.demo import demo_buyers, demo_load, demo_prices
from app.load.hold import hold
from app.load.offer import compare
from app.load.planning import Plan, plan_load
from app.load.prices import PriceBook
from app.load.split import MOST_SPLIT_BINS
from app.load.stakes import pulls_for
from app.load.terms import Terms, terms_of
from app.load.units import LoadError
from rules.cautions import SELLING
from tests.app.load.loads import PRICES, buyer, kg, load, terms

DAY = date(2026, 3, 20)


@cache
def shops() -> tuple[Terms, ...]:
    book = PriceBook(prices=demo_prices(DAY))
    return tuple(terms_of(one, book, on=DAY) for one in demo_buyers())


@cache
def plan() -> Plan:
    return plan_load(demo_load(), shops(), hourly=20)


def test_the_rest_is_for_the_best_offer_unless_a_buyer_is_asked_for() -> None:
    assert [o.buyer.name for o in plan().offers] == [
        o.buyer.name for o in compare(shops(), demo_load())
    ]
    assert plan().terms.buyer.name == plan().offers[0].buyer.name
    last = plan().offers[-1].buyer.name
    asked = plan_load(demo_load(), shops(), buyer=last)
    assert asked.terms.buyer.name == last != plan().terms.buyer.name


def test_pulls_and_waiting_are_those_of_that_buyer() -> None:
    inside = [b for b in demo_load().bins if b.pieces]
    assert set(plan().pulls) == {b.name for b in inside}
    for b in inside:
        assert plan().pulls[b.name].gain == pytest.approx(pulls_for(plan().terms, b).gain)
    weekly = {"no1": Decimal(5)}
    waiting = plan_load(demo_load(), shops(), kg_a_week=weekly)
    assert waiting.holds == hold(waiting.terms, demo_load(), kg_a_week=weekly)
    assert plan().holds == ()


def test_no_job_pays_less_than_ones_own_hour_and_all_fit_into_the_time() -> None:
    assert plan().evening.chosen
    for worth in plan().evening.chosen:
        assert worth.gain >= 20 * worth.job.minutes / 60 > 0
    assert sum(worth.job.minutes for worth in plan().evening.chosen) <= 60.0 + 1e-9
    assert not plan_load(demo_load(), shops(), minutes=0.0).evening.chosen


def test_what_can_hurt_is_said_once_and_of_selling_last() -> None:
    told = plan().cautions
    assert told[-1] == SELLING
    assert len(set(told)) == len(told)
    assert any("lead" in text for text in told)  # the demo has a soldered joint to cut


def test_more_bins_than_can_be_tried_are_not_dealt_out() -> None:
    bins = [Bin(name=str(i), grade="no1", weighed=kg("1")) for i in range(MOST_SPLIT_BINS + 1)]
    told = plan_load(load(*bins), [terms(buyer(), PRICES)])
    assert told.split is None
    assert told.chance is None  # one buyer alone is better than nobody
    assert told.weightless == ()


def test_an_empty_load_has_no_plan() -> None:
    with pytest.raises(LoadError, match="nothing"):
        plan_load(Load(name="van"), shops())
