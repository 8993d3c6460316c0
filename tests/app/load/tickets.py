"""A ticket of two bins, worked out by hand where it is used."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from app.load.bins import Bin, Load, Piece
from app.load.ticket import Ticket, write_ticket
from app.load.units import MassUnit
from tests.app.load.loads import buyer, kg, load, piece, terms

PRICES = {"bare_bright": "9.00", "no1": "8.00", "no2": "6.00", "set_aside": "1.00"}


def recorded(name: str, amount: str, **p: float) -> Piece:
    return replace(piece(name, amount, **p), record=f"r{name}")


def a_load() -> Load:
    return load(
        Bin(
            name="ones",
            grade="no1",
            pieces=(recorded("a", "6"), recorded("b", "4", no1=0.75, no2=0.25)),
        ),
        Bin(name="twos", grade="no2", weighed=kg("3", 0.05)),
    )


def a_ticket(**said: object) -> Ticket:
    ticket, _ = write_ticket(
        terms(buyer(travel=Decimal(5), **said), PRICES),  # type: ignore[arg-type]
        a_load(),
        code="t1",
        unit=MassUnit.LB,
        sheet_hash="ab" * 32,
    )
    return ticket
