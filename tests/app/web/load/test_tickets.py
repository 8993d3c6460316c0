"""Whose name stands first on the form for a new ticket."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

from app.load.bins import Bin, Load
from app.load.buyers import Buyer
from app.load.prices import Price
from app.load.store import LoadStore
from app.load.units import MassUnit
from app.opening import open_records
from app.web.load.parts import today
from app.web.load.tickets import best_first
from tests.app.load.loads import piece

TUBE = Load(name="van", bins=(Bin(name="tube", grade="no1", pieces=(piece("p1", "10"),)),))


def sold_to(store: LoadStore, **terms: tuple[str, str]) -> list[str]:
    """Names in the order of the form, of buyers told by their price a kg and their travel."""
    for name, (price, travel) in terms.items():
        store.save_buyer(Buyer(name=name, currency="USD", travel=Decimal(travel)))
        told = Price(
            buyer=name, grade="no1", amount=Decimal(price), per=MassUnit.KG, currency="USD",
            day=today(),
        )  # fmt: skip
        store.add_prices([told])
    return best_first(store, TUBE, store.buyers())


# Worked by hand for 10 kg: 80 - 15 = 65 from afar, 70 nearby, 65 - 1 = 64 from the third.
def test_who_leaves_the_most_after_travel_stands_first(tmp_path: Path) -> None:
    with open_records(tmp_path) as records:
        store = LoadStore(records)
        order = sold_to(store, Far=("8.00", "15"), Near=("7.00", "0"), Low=("6.50", "1"))
    assert order == ["Near", "Far", "Low"]


def test_without_a_weight_they_stand_as_they_are_kept(tmp_path: Path) -> None:
    unweighed = Load(name="van", bins=(Bin(name="tube", grade="no1", pieces=(piece("p1"),)),))
    with open_records(tmp_path) as records:
        store = LoadStore(records)
        sold_to(store, B=("7.00", "0"), A=("8.00", "0"))
        assert best_first(store, unweighed, store.buyers()) == [b.name for b in store.buyers()]
