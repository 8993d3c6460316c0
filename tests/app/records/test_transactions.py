"""Sessions of the database: SQLAlchemy's own promises, and SQLite's own words for what failed."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from sqlalchemy import Engine, insert, select
from sqlalchemy.exc import OperationalError

from app.records.database import database_url, open_database
from app.records.errors import RecordsError
from app.records.models import MetaRow
from app.records.transactions import Transactions


@pytest.fixture
def engine(tmp_path: Path) -> Engine:
    return open_database(database_url(tmp_path, None), folder=tmp_path)[0]


def keys(database: Transactions) -> set[str]:
    with database.reading() as session:
        return set(session.scalars(select(MetaRow.key)))


def test_what_was_written_is_there_and_what_was_broken_off_is_not(engine: Engine) -> None:
    with Transactions(engine) as database:
        with database.writing() as session:
            session.execute(insert(MetaRow).values(key="kept", value="1"))
        with pytest.raises(KeyboardInterrupt), database.writing() as session:
            session.execute(insert(MetaRow).values(key="lost", value="1"))
            raise KeyboardInterrupt
        assert "kept" in keys(database)
        assert "lost" not in keys(database)


def test_a_reader_sees_one_moment_while_another_writes(engine: Engine) -> None:
    with Transactions(engine) as database, database.reading() as session:
        before = set(session.scalars(select(MetaRow.key)))
        with database.writing() as other:
            other.execute(insert(MetaRow).values(key="later", value="1"))
        assert set(session.scalars(select(MetaRow.key))) == before
    assert "later" in keys(database)


@pytest.mark.parametrize(
    ("fault", "words"),
    [  # As SQLite itself says it: sqlite3ErrStr.
        (sqlite3.OperationalError("database or disk is full"), "the disk is full"),
        (sqlite3.OperationalError("database is locked"), "another program"),
        (sqlite3.OperationalError("attempt to write a readonly database"), "may not be written"),
        (sqlite3.OperationalError("no such table: pieces"), "OperationalError"),
    ],
)
def test_a_fault_of_the_database_is_told_as_what_it_is(
    engine: Engine, fault: sqlite3.OperationalError, words: str
) -> None:
    with (
        Transactions(engine) as database,
        pytest.raises(RecordsError, match=words) as told,
        database.reading(),
    ):
        raise OperationalError("select", {}, fault)
    assert told.value.fix


def test_deleted_rows_leave_nothing_in_the_file(engine: Engine, tmp_path: Path) -> None:
    secret = "nobody should read this again"
    with Transactions(engine) as database:
        with database.writing() as session:
            session.add(MetaRow(key="secret", value=secret * 100))
        with database.writing() as session:
            session.delete(session.get_one(MetaRow, "secret"))
        database.shrink()
        left = b"".join(path.read_bytes() for path in tmp_path.iterdir() if path.is_file())
    assert secret.encode() not in left


OPENING = """
import os, sys
from pathlib import Path
opened = []
sys.addaudithook(lambda event, told: opened.append(str(told[0])) if event == "open" else None)
from app.opening import open_records
from app.records.archive import export_zip, import_zip
from tests.app.records.pieces import new_piece, save_piece
folder = Path(sys.argv[1])
with open_records(folder) as one:
    save_piece(one, new_piece(1))
    with open_records(folder) as other:
        export_zip(other, folder / "all.zip")
        import_zip(other, folder / "all.zip")
    one.delete_everything(also_set_aside=True)
print([p for p in opened if p.endswith((".sqlite3", "-wal", "-shm", "-journal", ".lock"))])
"""


def test_nobody_but_sqlite_opens_its_files(folder: Path) -> None:
    """Python tells of each file that it opens itself; SQLite opens its own without Python."""
    told = subprocess.run(
        [sys.executable, "-c", OPENING, str(folder)], capture_output=True, text=True, check=True
    )
    assert told.stdout.strip() == "[]"
