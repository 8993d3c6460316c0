"""What of two sides is kept: the newer words, and everything that only one of them has."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Boolean, Column, Float, Integer, MetaData, String, Table, update

from app.records import Records
from app.records.archive import Imported, export_zip, import_zip
from app.records.archive.contents import other_tables
from app.records.archive.merge import _cell, _points_to_pieces
from app.records.errors import BadArchiveError
from app.records.models import Base, ExactDecimal, UtcTime
from tests.app.records.pieces import new_piece, save_piece


def sent(records: Records, other: Records, path: Path) -> Imported:
    export_zip(records, path)
    return import_zip(other, path)


@pytest.mark.parametrize("order", [("mine", "theirs"), ("theirs", "mine")])
def test_whoever_wrote_last_has_the_word_whichever_way_it_is_sent(
    records: Records, other: Records, tmp_path: Path, order: tuple[str, str]
) -> None:
    saved = save_piece(records, new_piece(1, name="pipe"))
    sent(records, other, tmp_path / "a.zip")
    sides = {"mine": records, "theirs": other}
    for name in order:
        sides[name].set_notes(saved.id, f"by {name}")
    sent(records, other, tmp_path / "b.zip")
    sent(other, records, tmp_path / "c.zip")
    last = f"by {order[1]}"
    assert records.piece(saved.id).notes == other.piece(saved.id).notes == last


def test_nothing_is_lost_and_nothing_comes_twice(
    records: Records, other: Records, tmp_path: Path
) -> None:
    saved = save_piece(records, new_piece(1))
    sent(records, other, tmp_path / "a.zip")
    records.add_tag(saved.id, "mine")
    other.add_tag(saved.id, "theirs")
    save_piece(other, new_piece(2, name="new there"))
    for turn in range(3):
        sent(records, other, tmp_path / f"b{turn}.zip")
        sent(other, records, tmp_path / f"c{turn}.zip")
    assert records.piece(saved.id).tags == other.piece(saved.id).tags == ("mine", "theirs")
    assert records.count() == other.count() == 2
    told = sent(records, other, tmp_path / "d.zip")
    assert told == Imported(added=0, updated=0, unchanged=2, photos=0, other_rows=0)


def test_what_was_paid_goes_to_the_buyer_of_that_name(
    records: Records, other: Records, tmp_path: Path
) -> None:
    theirs = other.add_buyer("the yard")
    saved = save_piece(records, new_piece(1))
    mine = records.add_buyer("The Yard")
    records.record_outcome(
        saved.id, buyer_id=mine.id, grade="no2", paid=Decimal("1.50"), currency="USD"
    )
    sent(records, other, tmp_path / "a.zip")
    (outcome,) = other.piece(saved.id).outcomes
    assert (outcome.buyer_id, outcome.buyer_name) == (theirs.id, "the yard")
    assert outcome.paid == Decimal("1.50")
    assert len(other.buyers()) == 1


def test_a_file_of_before_brings_no_name_that_turns_text(
    records: Records, other: Records, tmp_path: Path
) -> None:
    # Unicode Standard Annex 9, 2.2: U+202E is the right-to-left override.
    kept = other.add_buyer("Yard")
    records.add_buyer("yard")
    turned = {"name": "Y\u202eard", "name_key": "y\u202eard"}
    with records.writing() as session:
        session.execute(update(Base.metadata.tables["buyer"]).values(**turned))
    sent(records, other, tmp_path / "a.zip")
    assert [(one.id, one.name) for one in other.buyers()] == [(kept.id, "Yard")]


# ----------------------------------------------------------------------- one cell

TABLE = Table(
    "t",
    MetaData(),
    Column("text", String(4)),
    Column("needed", String(4), nullable=False),
    Column("whole", Integer),
    Column("number", Float),
    Column("yes", Boolean),
    Column("money", ExactDecimal),
    Column("moment", UtcTime),
)


@pytest.mark.parametrize(
    ("column", "value", "cell"),
    [
        ("text", "abcd", "abcd"),
        ("text", None, None),
        ("whole", 2**31 - 1, 2**31 - 1),
        ("number", 1.5, 1.5),
        ("yes", True, True),
        ("money", "0.10", Decimal("0.10")),
        ("moment", "2026-03-20T10:00:00.000000Z", datetime(2026, 3, 20, 10, tzinfo=UTC)),
    ],
)
def test_a_cell_is_read_as_its_column_wants_it(column: str, value: object, cell: object) -> None:
    read = _cell(TABLE.c[column], value)
    assert read == cell and type(read) is type(cell)


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("text", "abcde"),
        ("text", 4),
        ("needed", None),
        ("whole", 2**31),
        ("whole", 1.5),
        ("whole", "1"),
        ("number", "1.5"),
        ("yes", 1),
        ("money", "NaN"),
        ("money", 0.1),
        ("moment", "yesterday"),
    ],
)
def test_a_cell_of_another_kind_is_refused(column: str, value: Any) -> None:
    with pytest.raises(BadArchiveError):
        _cell(TABLE.c[column], value)


def test_what_points_to_pieces_waits_for_them() -> None:
    waits = {table.name for table in other_tables() if _points_to_pieces(table)}
    # By the schema: a bin's pieces and tickets; buyers, prices and loads stand on their own.
    assert "load_piece" in waits
    assert not waits & {"buyer", "load_buyer", "load_price", "load", "load_bin"}
    assert waits <= set(Base.metadata.tables)
