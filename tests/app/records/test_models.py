"""Columns that lose nothing on their way through SQLite."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Column, Integer, MetaData, Table, create_engine, insert, select
from sqlalchemy.exc import StatementError

from app.opening import MODULES_WITH_TABLES
from app.records.models import ID_LENGTH, Base, ExactDecimal, UtcTime, new_id

ENGINE = create_engine("sqlite://")
ODD = Table("odd", MetaData(), Column("id", Integer, primary_key=True),
            Column("money", ExactDecimal), Column("moment", UtcTime))  # fmt: skip
ODD.create(ENGINE)


def kept(**values: object) -> tuple[Decimal | None, datetime | None]:
    with ENGINE.begin() as connection:
        key = connection.execute(insert(ODD).values(**values)).inserted_primary_key
        row = connection.execute(select(ODD).where(ODD.c.id == key[0])).one()  # type: ignore[index]
        return row.money, row.moment


@given(st.decimals(-(10**12), 10**12, places=4), st.datetimes(timezones=st.just(UTC)))
def test_money_and_moments_come_back_to_the_last_digit(money: Decimal, moment: datetime) -> None:
    back, then = kept(money=money, moment=moment)
    assert (back, then) == (money, moment)
    assert back is not None and back.as_tuple().exponent == money.as_tuple().exponent


def test_nothing_stays_nothing() -> None:
    assert kept(money=None, moment=None) == (None, None)


@pytest.mark.parametrize("money", ["NaN", "Infinity", "-Infinity"])
def test_money_that_is_no_number_never_gets_in(money: str) -> None:
    with pytest.raises(StatementError, match="finite"):
        kept(money=Decimal(money))


def test_ids_are_random_and_fit() -> None:
    """RFC 9562, 5.4: version 4 says so in its thirteenth hex digit."""
    ids = {new_id() for _ in range(200)}
    assert len(ids) == 200
    assert all(re.fullmatch(r"[0-9a-f]{12}4[0-9a-f]{19}", one) for one in ids)
    assert {len(one) for one in ids} == {ID_LENGTH}


def test_every_row_that_points_at_another_says_what_becomes_of_it() -> None:
    """Or 'delete everything' and a deleted piece would stop half way (SQLite, foreign keys)."""
    assert MODULES_WITH_TABLES
    for table in Base.metadata.sorted_tables:
        for key in table.foreign_keys:
            # A photo goes with its file, by app/records/mending.py, and buyers with the load.
            by_hand = key.column.table.name in ("photo", "buyer")
            assert key.ondelete in ("CASCADE", "SET NULL") or by_hand, f"{table.name}: {key}"
