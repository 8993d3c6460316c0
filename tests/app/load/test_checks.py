"""What comes in by an import is read as typed input is: nothing that can't be gets in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from app.load.checks import ROWS, check_loads
from app.load.rows import BUYER_SCHEMA, PIECE_SCHEMA, TICKET_SCHEMA, WEIGHT_SCHEMA, Weighed
from app.load.settling import settle
from app.load.store import LoadStore
from app.load.tables import LoadBuyerRow, LoadTicketRow
from app.load.units import LoadError, MassUnit
from app.records.codec import write_json
from app.records.models import Base
from rules.errors import CuproscopeError
from tests.app.load.loads import DAY, buyer, kg, piece
from tests.app.load.test_store import a_load, price
from tests.app.load.tickets import a_ticket

Row = dict[str, Any]


def whole() -> dict[str, Row]:
    """One good row of each table, as an import has it."""
    return {
        "load_buyer": {"body": write_json(buyer("Yard"), BUYER_SCHEMA)},
        "load_price": {
            "buyer_id": "0" * 32,
            "grade": "no1",
            "amount": Decimal("4.10"),
            "per": "lb",
            "currency": "USD",
            "day": "2026-03-20",
            "from_kg": Decimal(0),
        },
        "load": {"name": "van", "name_key": "van", "given": 3},
        "load_bin": {
            "name": "ones",
            "grade": "no1",
            "position": 0,
            "weighed": write_json(Weighed(weight=kg("3.5")), WEIGHT_SCHEMA),
        },
        "load_piece": {
            "body": write_json(piece("p1", "2"), PIECE_SCHEMA),
            "code": "p1",
            "position": 0,
        },
        "load_ticket": {
            "body": write_json(a_ticket(), TICKET_SCHEMA),
            "code": "t1",
            "settled_utc": None,
        },
    }


def test_every_table_of_loads_has_its_check() -> None:
    tables = {name for name in Base.metadata.tables if name.startswith("load")}
    assert set(ROWS) == tables


@pytest.mark.parametrize("table", sorted(ROWS))
def test_what_the_program_writes_itself_gets_in(table: str) -> None:
    ROWS[table](whole()[table])


def told(table: str, **changed: object) -> tuple[str, Row]:
    return table, whole()[table] | changed


def body(value: object, schema: str) -> str:
    return write_json(value, schema)


PHOTO = replace(piece("p1", "2"), photo="no hash")


@pytest.mark.parametrize(
    ("table", "row"),
    [
        told("load_buyer", body="{}"),
        told("load_buyer", body=body(buyer("two\nlines"), BUYER_SCHEMA)),
        told("load_buyer", body=body(buyer("Yard", sheet="../etc"), BUYER_SCHEMA)),
        told("load_price", amount=Decimal(-1)),
        told("load_price", amount=Decimal("NaN")),
        told("load_price", per="stone"),
        told("load_price", currency="XAU"),  # gold is no money that is paid out (ISO 4217)
        told("load_price", day="2026-02-30"),
        told("load_price", from_kg=Decimal("-0.1")),
        told("load_price", grade=""),
        told("load", name="van\a"),
        told("load", name_key="lorry"),
        told("load", given=-1),
        told("load", given=10**9),
        told("load_bin", name=""),
        told("load_bin", position=-1),
        told("load_bin", weighed='{"weight": {"kg": "1e999"}}'),
        told("load_piece", code="p2"),
        told("load_piece", position=-1),
        told("load_piece", body=body(PHOTO, PIECE_SCHEMA)),
        told("load_piece", body=body(replace(piece("p1", "2"), name="x" * 200), PIECE_SCHEMA)),
        told("load_ticket", code="t2"),
        told("load_ticket", settled_utc=DAY),
        told("load_ticket", body=body(replace(a_ticket(), buyer="a\tb"), TICKET_SCHEMA)),
        told("load_ticket", body=body(settle(a_ticket(), [], day=DAY), TICKET_SCHEMA)),
    ],
)
def test_what_can_not_be_is_refused(table: str, row: Row) -> None:
    with pytest.raises((CuproscopeError, ValueError)):
        ROWS[table](row)


# -------------------------------------------------------------------- together


@pytest.fixture
def filled(store: LoadStore) -> LoadStore:
    store.save_buyer(buyer("Yard"))
    store.add_prices([price("4.00")])
    store.edit("van", a_load)
    store.write_ticket("van", "Yard", day=DAY, unit=MassUnit.KG, bins=["ones"])
    return store


def refusal(store: LoadStore, change: Callable[[Any], None]) -> str:
    with store.records.writing() as session:
        change(session)
        session.flush()
        with pytest.raises(LoadError) as fault:
            check_loads(session)
        session.rollback()
    return fault.value.message


def test_what_lies_here_goes_together(filled: LoadStore) -> None:
    with filled.records.reading() as session:
        check_loads(session)


def test_prices_in_a_money_that_the_buyer_does_not_pay_are_refused(filled: LoadStore) -> None:
    def other_money(session: Any) -> None:
        row = session.query(LoadBuyerRow).one()
        row.body = body(buyer("Yard", currency="EUR"), BUYER_SCHEMA)

    assert "price in USD, in which this buyer does not pay" in refusal(filled, other_money)


def test_two_tickets_of_one_code_are_refused(filled: LoadStore) -> None:
    def once_more(session: Any) -> None:
        one = session.query(LoadTicketRow).one()
        session.add(LoadTicketRow(code=one.code, body=one.body))

    assert "stands for two tickets" in refusal(filled, once_more)
