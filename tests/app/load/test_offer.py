"""What a buyer pays: a load sheet worked by hand, and draws against the exact sums."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import numpy as np
import pytest

from app.load.bins import Bin
from app.load.offer import chance_better, compare, offer_of
from app.load.stakes import pulls_for
from app.load.units import KG_PER_LB, LoadError, MassUnit, kg_from
from tests.app.load.loads import DAY, PRICES, buyer, kg, load, piece, terms


def test_a_load_sheet_worked_by_hand() -> None:
    # Bin "bright": 41.30 lb at 4.105 = 169.5365 -> 169.54
    # Bin "ones":   88.75 lb at 3.900 = 346.125  -> 346.13 (half away from zero)
    # Bin "twos":   12.10 lb at 3.333 = 40.3293  -> 40.33
    # Sum of the rounded lines: 556.00. Travel 18.50.
    who = buyer(travel=Decimal("18.50"))
    told = terms(who, {"bare_bright": "4.105", "no1": "3.900", "no2": "3.333"}, per=MassUnit.LB)
    bins = [
        Bin(name=name, grade=grade, weighed=kg(str(kg_from(Decimal(lb), MassUnit.LB))))
        for name, grade, lb in (
            ("bright", "bare_bright", "41.30"),
            ("ones", "no1", "88.75"),
            ("twos", "no2", "12.10"),
        )
    ]
    offer = offer_of(told, load(*bins))
    assert [str(line.amount) for line in offer.lines] == ["169.54", "346.13", "40.33"]
    assert offer.labelled == Decimal("556.00")
    assert offer.expected == sum(line.expected for line in offer.lines)
    assert offer.expected == pytest.approx(Decimal("555.99"), abs=Decimal("0.01"))
    assert offer.net == offer.expected - offer.travel
    assert offer.kg == kg_from(Decimal("142.15"), MassUnit.LB)


def test_a_deduction_comes_off_the_weight() -> None:
    # 10 kg, 2 % off: 9.8 kg at 8.00 is 78.40.
    offer = offer_of(
        terms(buyer(deduction=Decimal("0.02")), PRICES),
        load(Bin(name="A", grade="no1", weighed=kg("10"))),
    )
    assert offer.lines[0].paid_kg == Decimal("9.80")
    assert offer.labelled == Decimal("78.40")
    assert offer.expected == Decimal("78.40")


def test_too_small_a_load_is_refused_in_the_unit_of_the_prices() -> None:
    small = load(Bin(name="A", grade="no1", weighed=kg("1")))
    least = buyer(least_kg=Decimal(20) * KG_PER_LB)
    assert offer_of(terms(least, PRICES, per=MassUnit.LB), small).refused == (
        "takes no less than 20 lb"
    )


def test_expected_pay_counts_the_chance_of_a_downgrade() -> None:
    # 10 kg in two pieces, one of them No. 2 with 0.25: 10 * (0.75 * 8 + 0.25 * 6) = 75.
    b = Bin(name="A", grade="no1", pieces=(piece("a", "6"), piece("b", "4", no1=0.75, no2=0.25)))
    offer = offer_of(terms(buyer(), PRICES), load(b))
    assert offer.labelled == Decimal("80.00")
    assert offer.expected == Decimal(75)
    assert offer.lines[0].risk.p_downgrade == pytest.approx(0.25)
    # 80 with 0.75, 60 with 0.25: standard deviation 20 * sqrt(0.1875) = 8.660.
    assert offer.u == pytest.approx(8.660, abs=0.15)
    assert (offer.low95, offer.high95) == (60.0, 80.0)
    # Pulled, the doubtful piece brings at least No. 2: 6 * 8 + 4 * 6 = 72 < 75: it stays.
    assert pulls_for(terms(buyer(), PRICES), b).pulls == ()


def test_what_is_sold_by_another_line_is_taken_at_its_word() -> None:
    # Insulated cable: 5 kg at 2.50, whatever its copper would be graded as; nothing to pull.
    hook = Bin(name="hook", grade="insulated", pieces=(piece("c", "5", set_aside=1.0),))
    told = terms(buyer(), {**PRICES, "insulated": "2.50"})
    offer = offer_of(told, load(hook))
    assert offer.expected == Decimal("12.50")
    assert offer.lines[0].risk.p_downgrade == 0
    assert pulls_for(told, hook).pulls == ()
    # Nor does an insulated price leak into a bin of what is set aside.
    aside = Bin(name="aside", grade="set_aside", pieces=(piece("d", "5", set_aside=1.0),))
    assert pulls_for(told, aside).pulls == ()


def test_draws_agree_with_the_exact_expectation_and_cover_the_truth() -> None:
    rng = np.random.default_rng(4)
    bins = []
    for name in ("A", "B"):
        pieces = []
        for number in range(12):
            p = rng.dirichlet((0.2, 9.0, 1.0, 0.2))
            chances = dict(zip(PRICES, map(float, p), strict=True))
            pieces.append(piece(f"{name}{number}", f"{rng.uniform(0.2, 2):.2f}", **chances))
        bins.append(Bin(name=name, grade="no1", pieces=tuple(pieces), weighed=kg("14", 0.2)))
    offer = offer_of(terms(buyer(forgiven=1), PRICES), load(*bins), draws=40_000)
    # The mean of 40,000 draws is good to u / 200; four of those.
    assert abs(offer.draws.mean() - float(offer.expected)) < 4 * offer.u / 200
    inside = (offer.draws >= offer.low95) & (offer.draws <= offer.high95)
    assert 0.94 < inside.mean() <= 1.0


def test_weights_doubt_alone_gives_a_normal_interval() -> None:
    # 100 kg +- 0.5 at 8.00: 800 +- 4, so 792.2 to 807.8.
    offer = offer_of(
        terms(buyer(), PRICES),
        load(Bin(name="A", grade="no1", weighed=kg("100", 0.5))),
        draws=20_000,
    )
    assert offer.u == pytest.approx(4.0, rel=0.03)
    assert offer.low95 == pytest.approx(792.16, abs=0.5)
    assert offer.high95 == pytest.approx(807.84, abs=0.5)


def test_the_same_draws_serve_every_buyer() -> None:
    # B pays a hundredth more for everything: surely better, although the pays overlap widely.
    b = Bin(
        name="A", grade="no1", pieces=tuple(piece(f"p{i}", "2", no1=0.7, no2=0.3) for i in range(4))
    )
    a, c = compare(
        [
            terms(buyer("A"), PRICES),
            terms(buyer("B"), {g: str(Decimal(p) * Decimal("1.01")) for g, p in PRICES.items()}),
        ],
        load(b),
    )
    assert a.buyer.name == "B"
    assert chance_better(a, c) == 1.0
    assert a.low95 < c.high95


def test_travel_and_least_weight_decide_between_buyers() -> None:
    near = terms(buyer("near"), {"no1": "7.80"})
    far = terms(buyer("far", travel=Decimal(30)), {"no1": "8.00"})
    picky = terms(buyer("picky", least_kg=Decimal(500)), {"no1": "9.00"})
    hundred = load(Bin(name="A", grade="no1", weighed=kg("100")))
    # near 780; far 800 - 30 = 770; picky takes no less than 500 kg.
    told = compare([near, far, picky], hundred)
    assert [offer.buyer.name for offer in told] == ["near", "far", "picky"]
    assert told[2].refused is not None
    # With 200 kg: near 1560, far 1570.
    twice = load(Bin(name="A", grade="no1", weighed=kg("200")))
    assert compare([near, far], twice)[0].buyer.name == "far"


def test_stale_and_missing_prices_are_told() -> None:
    old = terms(buyer(), {"no1": "8.00"}, day=DAY - timedelta(days=30))
    offer = offer_of(
        old,
        load(
            Bin(name="A", grade="no1", weighed=kg("10")),
            Bin(name="B", grade="no2", weighed=kg("5")),
        ),
    )
    assert [price.grade for price in offer.stale] == ["no1"]
    assert offer.unpriced == ("no2",)


def test_what_can_not_be_compared_is_refused() -> None:
    here, there = terms(buyer("A"), PRICES), terms(buyer("B", currency="CAD"), PRICES)
    with pytest.raises(LoadError, match="CAD and USD"):
        compare([here, there], load())
    with pytest.raises(LoadError, match="weigh"):
        offer_of(here, load(Bin(name="A", grade="no1", pieces=(piece("a"),))))
