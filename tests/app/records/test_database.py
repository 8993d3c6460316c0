"""Opening: migrations, other databases, damage, newer versions."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine
from sqlalchemy.dialects import mysql, postgresql
from sqlalchemy.schema import CreateTable

from app.opening import open_records
from app.records import NewerStoreError, Records, RecordsError
from app.records.database import DATABASE_NAME, MIGRATIONS, default_folder, newest_revision
from app.records.models import Base
from tests.app.records.pieces import new_piece, save_piece


def test_the_migrations_make_the_tables_of_the_models(records: Records) -> None:
    engine = create_engine(f"sqlite:///{records.folder / DATABASE_NAME}")
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
    engine.dispose()


def test_the_newest_migration_is_the_head() -> None:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    assert ScriptDirectory.from_config(config).get_heads() == [newest_revision()]


@pytest.mark.parametrize("dialect", [postgresql.dialect(), mysql.dialect()])
def test_other_databases_can_have_the_tables(dialect: object) -> None:
    for table in Base.metadata.sorted_tables:
        assert "CREATE TABLE" in str(CreateTable(table).compile(dialect=dialect))  # type: ignore[arg-type]


def test_it_is_wal_whole_and_checks_keys(records: Records) -> None:
    with records.reading() as session:
        asked = [
            session.connection().exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        ]
    assert asked == ["wal", 2, 1, 15000]


def test_another_file_by_url(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'else where' / '50%.db'}"
    with open_records(tmp_path / "photos here", url=url) as records:
        save_piece(records, new_piece(1))
    with open_records(tmp_path / "photos here", url=url) as records:
        assert records.count() == 1
    assert not (tmp_path / "photos here" / DATABASE_NAME).exists()


@pytest.mark.parametrize(
    "url",
    ["sqlite://", "sqlite:///:memory:", "nonsense", "nodb://x/y", "postgresql+nodriver://h/x"],
)
def test_an_address_that_can_t_be_is_refused(tmp_path: Path, url: str) -> None:
    with pytest.raises(RecordsError) as caught:
        open_records(tmp_path, url=url)
    assert caught.value.fix


def test_a_password_is_never_told(tmp_path: Path) -> None:
    url = f"sqlite://me:secret@/{tmp_path}/x.db?mode=ro&uri=true"
    with pytest.raises(RecordsError) as caught:
        open_records(tmp_path, url=url)
    assert "secret" not in str(caught.value)


def test_the_folder_can_be_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CUPROSCOPE_DATA", str(tmp_path / "x"))
    assert default_folder() == tmp_path / "x"
    monkeypatch.delenv("CUPROSCOPE_DATA")
    assert default_folder().name == "cuproscope"


def damaged_files(folder: Path) -> list[Path]:
    return sorted(folder.glob("records.damaged-*.sqlite3"))


def fill(folder: Path) -> bytes:
    with open_records(folder) as records:
        records.save_pieces([new_piece(name=f"piece {number}") for number in range(30)])
    with closing(sqlite3.connect(folder / DATABASE_NAME)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return (folder / DATABASE_NAME).read_bytes()


def overwritten(data: bytes) -> bytes:
    return data[:4096] + bytes(range(256)) * ((len(data) - 4096) // 256)


@pytest.mark.parametrize(
    "damage",
    [
        pytest.param(lambda data: b"this was a database once" * 50, id="text"),
        pytest.param(lambda data: data[: len(data) // 2], id="cut short"),
        pytest.param(overwritten, id="overwritten"),
        pytest.param(lambda data: b"\0" * len(data), id="zeros"),
        pytest.param(lambda data: b"x", id="one byte"),
    ],
)
def test_a_damaged_file_is_set_aside_and_told(folder: Path, damage: object) -> None:
    data = damage(fill(folder))  # type: ignore[operator]
    (folder / DATABASE_NAME).write_bytes(data)
    with open_records(folder) as records:
        (message,) = records.messages
        (aside,) = damaged_files(folder)
        assert aside.name in message and "damaged" in message
        assert aside.read_bytes() == data
        assert records.count() == 0
        save_piece(records, new_piece(1))
        assert records.set_aside_files() == (aside,)
    with open_records(folder) as records:
        assert not records.messages and records.count() == 1

    # A second damage in the same second gets a name of its own.
    for _ in range(2):
        (folder / DATABASE_NAME).write_bytes(b"x" * 9000)
        open_records(folder).close()
    assert len(damaged_files(folder)) == 3
    assert aside.read_bytes() == data
    with open_records(folder) as records:
        records.delete_everything(also_set_aside=True)
    assert not damaged_files(folder)


def test_a_file_that_is_only_busy_is_not_damaged(folder: Path) -> None:
    fill(folder)
    with closing(sqlite3.connect(folder / DATABASE_NAME, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with closing(sqlite3.connect(folder / DATABASE_NAME)) as reader:
            assert reader.execute("PRAGMA quick_check(1)").fetchone() == ("ok",)
        other.execute("ROLLBACK")
    with open_records(folder) as records:
        assert records.count() == 30 and not damaged_files(folder)


def test_what_a_newer_version_wrote_is_left_alone(folder: Path) -> None:
    fill(folder)
    with closing(sqlite3.connect(folder / DATABASE_NAME)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
        connection.commit()
    with pytest.raises(NewerStoreError, match="newer"):
        open_records(folder)
    assert not damaged_files(folder)


def test_somebody_elses_database_is_left_alone(tmp_path: Path) -> None:
    folder = tmp_path / "theirs"
    folder.mkdir()
    with closing(sqlite3.connect(folder / DATABASE_NAME)) as connection:
        connection.execute("CREATE TABLE theirs (x)")
        connection.commit()
    with pytest.raises(RecordsError, match="not ours"):
        open_records(folder)
    with closing(sqlite3.connect(folder / DATABASE_NAME)) as connection:
        names = connection.execute("SELECT name FROM sqlite_master").fetchall()
    assert names == [("theirs",)]


def test_a_folder_that_can_t_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(RecordsError) as caught:
        open_records(tmp_path / "file" / "data")
    assert caught.value.fix


MIGRATING = """
import os, sys
from pathlib import Path
from sqlalchemy import event
from sqlalchemy.engine import Engine
@event.listens_for(Engine, "before_cursor_execute")
def stop(connection, cursor, statement, *_):
    if statement.lstrip().startswith(sys.argv[2]):
        os.kill(os.getpid(), 9)
from app.opening import open_records
open_records(Path(sys.argv[1]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_killed_while_migrating_it_migrates_again(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    command = [sys.executable, "-c", MIGRATING, str(folder), "INSERT INTO alembic_version"]
    assert subprocess.run(command, check=False).returncode == -9
    with open_records(folder) as records:
        assert save_piece(records, new_piece()).id and not records.messages


def test_two_programs_opening_at_once_migrate_once(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from app.opening import open_records;"
        "open_records(Path(sys.argv[1]))"
    )
    running = [
        subprocess.Popen([sys.executable, "-c", code, str(tmp_path / "data")]) for _ in range(2)
    ]
    assert [process.wait() for process in running] == [0, 0]


def test_a_copy_made_while_open_is_whole(folder: Path, tmp_path: Path) -> None:
    with open_records(folder) as records:
        save_piece(records, new_piece(1))
        shutil.copytree(folder, tmp_path / "copy")
    with open_records(tmp_path / "copy") as copy:
        assert copy.count() == 1 and not copy.messages
