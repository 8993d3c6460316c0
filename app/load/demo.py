"""An invented load with buyers and prices, put in and taken out in one step each.

An invented town, invented yards, invented prices; no piece of it was ever measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from decimal import Decimal
from importlib.resources import as_file, files
from typing import TYPE_CHECKING

from app.load.bins import Bin, Load, Piece
from app.load.buyers import Buyer, OwnLimit, Stance
from app.load.pieces import next_id, stated_weight
from app.load.prices import Price
from app.load.units import KG_PER_LB, MassUnit
from app.load.weights import read_scale
from rules.table import AtLimit

if TYPE_CHECKING:
    from app.load.store import LoadStore

LOAD = "Varnhollow van (demo)"
WEIR = "Weirside yard (demo)"
ROPEWALK = "Old ropewalk yard (demo)"
QUARRY = "Far quarry yard (demo)"
BUYERS = (WEIR, ROPEWALK, QUARRY)

_BINS = {
    "blue tub": ("no1", ("cellar feed", "bath feed", "sink tail", "boiler flow")),
    "white bucket": ("bare_bright", ("cooker cable", "socket ring", "bell wire", "earth bundle")),
    "old crate": ("no2", ("garden pipe", "appliance leads", "pump motor", "tinned ribbon")),
    "coil hook": ("insulated", ("garage cable",)),
}

# Invented: dollars a pound by weeks before today, newest last.
_WEIR_PRICES = {
    "bare_bright": ("3.72", "3.78", "3.75", "3.86", "3.90", "3.95"),
    "no1": ("3.52", "3.58", "3.55", "3.66", "3.70", "3.74"),
    "no2": ("3.05", "3.11", "3.08", "3.18", "3.22", "3.26"),
    "set_aside": ("0.60", "0.60", "0.60", "0.62", "0.62", "0.62"),
    "insulated": ("1.10", "1.12", "1.10", "1.15", "1.18", "1.20"),
    "brass": ("2.05", "2.08", "2.05", "2.12", "2.15", "2.18"),
}
_ROPEWALK_PRICES = {
    "bare_bright": "3.88",
    "no1": "3.71",
    "no2": "3.34",
    "set_aside": "0.55",
    "insulated": "1.32",
    "brass": "2.02",
}
_QUARRY_PRICES = {
    "bare_bright": "4.06",
    "no1": "3.86",
    "no2": "3.38",
    "set_aside": "0.70",
    "insulated": "1.25",
    "brass": "2.25",
}
_QUARRY_STEP = ("no1", "3.98", Decimal(100) * KG_PER_LB)
QUARRY_PRICES_AGE_DAYS = 24
"""Old on purpose, so that the warning of stale prices shows."""


def add_demo(store: LoadStore, *, today: date) -> Load:
    """Put the demo in, whole or not at all; what was changed in it since is as new again."""
    store.remove_all(buyers=(), loads=(LOAD,))
    load = demo_load()
    known = {buyer.name for buyer in store.buyers()}
    prices = [price for price in demo_prices(today) if price.buyer not in known]
    store.put_all(buyers=demo_buyers(), prices=prices, loads=[load])
    return load


def remove_demo(store: LoadStore) -> None:
    """Take the demo out, its tickets too, whole or not at all; your own things stay."""
    store.remove_all(buyers=BUYERS, loads=(LOAD,))


def demo_buyers() -> tuple[Buyer, ...]:
    """Return the three invented yards."""
    return (
        Buyer(
            name=WEIR,
            currency="USD",
            travel=Decimal("4.00"),
            forgiven=0,
            note="By the weir, open until noon. One soldered piece and the tub is No. 2.",
        ),
        Buyer(
            name=ROPEWALK,
            currency="USD",
            limits={
                "strand": OwnLimit(at_limit=AtLimit.FAILS, value=1.35),
                "no1_tarnish": OwnLimit(value=0.6),
            },
            solder=Stance.PASSES,
            deduction=Decimal("0.02"),
            travel=Decimal("6.00"),
            forgiven=1,
            note="Lets solder pass, takes 2 % off for dirt, strict on dark tube and thin wire.",
        ),
        Buyer(
            name=QUARRY,
            currency="USD",
            travel=Decimal("19.50"),
            least_kg=Decimal(20) * KG_PER_LB,
            forgiven=1,
            note="An hour away. Pays more from 100 lb of No. 1 on.",
        ),
    )


def demo_prices(today: date) -> tuple[Price, ...]:
    """Return the invented price lists up to a day."""

    def price(
        buyer: str, grade: str, amount: str, age_days: int, from_kg: Decimal = Decimal(0)
    ) -> Price:
        return Price(
            buyer=buyer,
            grade=grade,
            amount=Decimal(amount),
            per=MassUnit.LB,
            currency="USD",
            day=today - timedelta(days=age_days),
            from_kg=from_kg,
        )

    found = [
        price(WEIR, grade, amount, 7 * weeks)
        for grade, amounts in _WEIR_PRICES.items()
        for weeks, amount in zip(range(len(amounts) - 1, -1, -1), amounts, strict=True)
    ]
    found += [price(ROPEWALK, grade, amount, 3) for grade, amount in _ROPEWALK_PRICES.items()]
    age = QUARRY_PRICES_AGE_DAYS
    found += [price(QUARRY, grade, amount, age) for grade, amount in _QUARRY_PRICES.items()]
    grade, amount, least = _QUARRY_STEP
    return (*found, price(QUARRY, grade, amount, age, least))


def demo_load() -> Load:
    """Return the invented load, graded by the house sheet."""
    pieces = _pieces()
    bins = tuple(
        Bin(
            name=name,
            grade=grade,
            pieces=tuple(piece for piece in pieces if piece.name.startswith(starts)),
        )
        for name, (grade, starts) in _BINS.items()
    )
    # One tub was put on the scale as a whole, with its own tare.
    weighed = read_scale(Decimal("21.4"), unit=MassUnit.LB, tare=Decimal("2.0"))
    first = Bin(name=bins[0].name, grade=bins[0].grade, pieces=bins[0].pieces, weighed=weighed)
    return Load(name=LOAD, bins=(first, *bins[1:]))


def _pieces() -> Sequence[Piece]:
    from rules.engine import grade
    from rules.sheet import load_sheet
    from rules.typed import load_findings

    sheet = load_sheet("house")
    with as_file(files("app.load").joinpath("data", "demo_pieces.toml")) as path:
        typed = load_findings(path)
    pieces: list[Piece] = []
    for one in typed:
        grading = grade(one.findings, sheet)
        pieces.append(
            Piece(
                id=next_id(piece.id for piece in pieces),
                name=one.name or "",
                p=grading.p,
                weight=stated_weight(one.findings),
                findings=one.findings,
                lifts=grading.lifts,
                settle=grading.settle,
                line=grading.line,
                confidence=grading.confidence,
            )
        )
    return pieces
