"""Tickets: every figure adds up."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from app.load.ticket import next_code, write_ticket
from app.load.units import LoadError, MassUnit
from tests.app.load.loads import buyer, load, terms
from tests.app.load.tickets import PRICES, a_ticket


def test_a_ticket_says_what_the_offer_says_and_adds_up() -> None:
    # 10 kg at 8.00 and 3 kg at 6.00: 80 + 18; with 0.25 of a downgrade 75 + 18.
    ticket = a_ticket()
    assert [str(line.amount) for line in ticket.lines] == ["80.00", "18.00"]
    assert ticket.labelled == Decimal("98.00")
    assert ticket.expected == Decimal("93.00") == sum(line.expected for line in ticket.lines)
    assert [piece.id for _, piece in ticket.questioned] == ["b"]
    assert ticket.questioned[0][1].p_wrong == pytest.approx(0.25)


def test_ticket_codes_count_up_within_a_day() -> None:
    assert next_code(date(2026, 3, 20), []) == "2026-03-20-1"
    assert next_code(date(2026, 3, 20), ["2026-03-20-1", "2026-03-19-2"]) == "2026-03-20-2"


def test_nothing_to_sell_or_too_little_is_refused() -> None:
    with pytest.raises(LoadError, match="nothing"):
        write_ticket(terms(buyer(), PRICES), load(), code="t", unit=MassUnit.KG, sheet_hash="")
    with pytest.raises(LoadError, match="no less than"):
        a_ticket(least_kg=Decimal(100))
