"""What goes with what when a row is deleted, as the database itself keeps it."""

from __future__ import annotations

import pytest
from sqlalchemy import delete, func, select
from sqlalchemy.exc import IntegrityError

from app.load.store import LoadStore
from app.load.tables import (
    LoadBinRow,
    LoadBuyerRow,
    LoadPieceRow,
    LoadPriceRow,
    LoadRow,
    LoadTicketRow,
)
from app.load.units import MassUnit
from app.records.errors import RecordsError
from app.records.models import Base, BuyerRow
from tests.app.load.loads import DAY, buyer
from tests.app.load.test_store import a_load, price


@pytest.fixture
def filled(store: LoadStore) -> LoadStore:
    store.save_buyer(buyer("Yard"))
    store.add_prices([price("4.00"), price("3.00", grade_id="no2")])
    store.edit("van", a_load)
    store.write_ticket("van", "Yard", day=DAY, unit=MassUnit.KG, bins=["ones"])
    return store


def left(store: LoadStore) -> dict[str, int]:
    rows = (LoadBuyerRow, LoadPriceRow, LoadRow, LoadBinRow, LoadPieceRow, LoadTicketRow)
    with store.records.reading() as session:
        return {
            row.__tablename__: session.scalar(select(func.count()).select_from(row)) or 0
            for row in rows
        }


def test_a_load_takes_its_bins_and_pieces_along_and_leaves_its_tickets(filled: LoadStore) -> None:
    before = left(filled)
    with filled.records.writing() as session:
        session.execute(delete(LoadRow))
    gone = {"load": 0, "load_bin": 0, "load_piece": 0}
    assert left(filled) == before | gone


def test_a_buyer_takes_terms_and_prices_along_and_a_ticket_stays(filled: LoadStore) -> None:
    before = left(filled)
    with filled.records.writing() as session:
        session.execute(delete(BuyerRow))
        assert session.scalars(select(LoadTicketRow.buyer_id)).all() == [None]
    assert left(filled) == before | {"load_buyer": 0, "load_price": 0}


def test_no_two_loads_have_one_name(filled: LoadStore) -> None:
    with pytest.raises((RecordsError, IntegrityError)), filled.records.writing() as session:
        session.add(LoadRow(name="VAN", name_key="van"))


def test_every_table_of_loads_is_known_to_export_and_to_delete_everything(
    filled: LoadStore,
) -> None:
    assert set(left(filled)) <= set(Base.metadata.tables)
    filled.records.delete_everything()
    assert set(left(filled).values()) == {0}
