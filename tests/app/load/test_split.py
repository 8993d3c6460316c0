"""Who gets which bin: every way tried by brute force."""

from __future__ import annotations

from decimal import Decimal
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.load.bins import Bin
from app.load.offer import Offer, offer_of
from app.load.split import split
from app.load.units import LoadError
from tests.app.load.loads import PRICES, buyer, kg, load, terms


def by_hand(told: list[Any], bins: list[Bin]) -> float:
    """The best of every way to give each bin to a buyer, or to keep it home."""
    best = 0.0
    for chosen in product([None, *range(len(told))], repeat=len(bins)):
        net = 0.0
        for index, one in enumerate(told):
            given = [b for b, to in zip(bins, chosen, strict=True) if to == index]
            if not given:
                continue
            offer: Offer = offer_of(one, load(*given), draws=10)
            net += -1e9 if offer.refused else float(offer.net)
        best = max(best, net)
    return best


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 80), st.sampled_from(list(PRICES))), min_size=1, max_size=4),
    st.lists(
        st.tuples(
            st.integers(0, 60),
            st.integers(0, 60),
            st.lists(st.integers(1, 12), min_size=4, max_size=4),
        ),
        min_size=1,
        max_size=3,
    ),
)
def test_no_other_way_to_split_leaves_more(
    weights: list[tuple[int, str]], shops: list[tuple[int, int, list[int]]]
) -> None:
    bins = [Bin(name=f"b{i}", grade=g, weighed=kg(str(w))) for i, (w, g) in enumerate(weights)]
    told = [
        terms(
            buyer(f"s{i}", travel=Decimal(travel), least_kg=Decimal(least)),
            [
                *((grade, str(p), "0") for grade, p in zip(PRICES, prices, strict=True)),
                ("no1", str(prices[1] + 2), "50"),  # a step by weight
            ],
        )
        for i, (travel, least, prices) in enumerate(shops)
    ]
    found = split(told, load(*bins))
    assert found.net == pytest.approx(by_hand(told, bins), abs=1e-6)
    given = [name for names in found.bins_of.values() for name in names]
    assert sorted([*given, *found.kept_home]) == sorted(b.name for b in bins)
    assert found.gain >= -1e-9


def test_a_split_pays_when_each_buyer_is_better_at_one_grade() -> None:
    # A: 100 kg No. 1 at 8 + 50 kg No. 2 at 5 = 1050; B: 7 and 6 = 1000, trip 20.
    # Dealt out they bring 800 and 300, less 20 for the trip: 1080.
    a = terms(buyer("A"), {"no1": "8", "no2": "5"})
    b = terms(buyer("B", travel=Decimal(20)), {"no1": "7", "no2": "6"})
    bins = load(
        Bin(name="ones", grade="no1", weighed=kg("100")),
        Bin(name="twos", grade="no2", weighed=kg("50")),
    )
    found = split([a, b], bins)
    assert found.bins_of == {"A": ("ones",), "B": ("twos",)}
    assert found.net == pytest.approx(1080)
    assert found.gain == pytest.approx(30)


def test_too_many_bins_to_try_every_way_is_told() -> None:
    bins = [Bin(name=str(i), grade="no1", weighed=kg("1")) for i in range(11)]
    with pytest.raises(LoadError, match="together"):
        split([terms(buyer(), PRICES)], load(*bins))
