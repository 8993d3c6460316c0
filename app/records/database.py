"""Where the records live, and how the database is opened.

SQLite in the user's data folder unless told otherwise: write-ahead log, so that one
browser reads while another writes; a busy timeout, so that two writers wait for each
other; every write in ``BEGIN IMMEDIATE``, so that it is whole or not there. A database
file that is damaged is set aside under a name with the time, never overwritten.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Engine, create_engine, event, make_url
from sqlalchemy.engine import URL, Connection
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import ArgumentError, SQLAlchemyError

from app.records.errors import NewerStoreError, RecordsError

FOLDER_VARIABLE = "CUPROSCOPE_DATA"
"""Environment variable that names another data folder."""

DATABASE_NAME = "records.sqlite3"
LOCK_NAME = "opening.lock"
BUSY_SECONDS = 15.0
"""How long one writer waits for another; a write takes milliseconds."""

WRITE = "cuproscope_write"
"""Execution option of connections that write."""

MIGRATIONS = Path(__file__).with_name("migrations")
_SMALLEST_BYTES = 512
"""One page of the smallest size there is (SQLite's file format, 1.3.2)."""

_SIDECARS = ("-wal", "-shm", "-journal")


def default_folder() -> Path:
    """Return the folder of the records: by environment variable, else the user's data."""
    told = os.environ.get(FOLDER_VARIABLE, "").strip()
    if told:
        return Path(told).expanduser()
    from platformdirs import user_data_path

    return user_data_path("cuproscope", appauthor=False)


def database_url(folder: Path, url: str | None) -> URL:
    """Return the URL of the database, a file in ``folder`` unless ``url`` says otherwise.

    Raises:
        RecordsError: It is no database URL, or one of a database without a file.
    """
    if url is None:
        return URL.create("sqlite", database=str(folder / DATABASE_NAME))
    try:
        told = make_url(url)
        told.get_dialect()
    except (ArgumentError, SQLAlchemyError, ImportError) as fault:
        raise RecordsError(
            "that is no address of a database",
            fix="Give one like sqlite:////home/me/records.sqlite3 or "
            "postgresql+psycopg://user@host/name, and install its driver.",
        ) from fault
    if _is_sqlite(told) and told.database in (None, "", ":memory:"):
        raise RecordsError(
            "records in memory would be lost", fix="Name a file: sqlite:////path/records.sqlite3"
        )
    return told


def open_database(url: URL, *, folder: Path) -> tuple[Engine, tuple[str, ...]]:
    """Return an engine on a checked, migrated database, and what the person should know.

    Only one process at a time checks and migrates.

    Raises:
        RecordsError: It can't be opened, or is not one of ours.
        NewerStoreError: A newer version of the program wrote it.
    """
    messages: tuple[str, ...] = ()
    try:
        engine = _engine(url)
        with _only_one(folder):
            if _is_sqlite(url):
                messages = _checked(Path(str(url.database)))
            _migrate(engine)
    except ImportError as fault:
        raise RecordsError(
            f"the driver of {url.drivername} is not installed", fix="Install it with pip."
        ) from fault
    except (SQLAlchemyError, sqlite3.Error, OSError) as fault:
        raise RecordsError(
            f"the records can't be opened ({_short(fault)})",
            fix="Check that the folder may be written to and that the disk is not full.",
            where=url.render_as_string(hide_password=True),
        ) from fault
    return engine, messages


def writing_engine(engine: Engine) -> Engine:
    """Return the same engine whose transactions hold the right to write from the start."""
    return engine.execution_options(**{WRITE: True})


def _is_sqlite(url: URL) -> bool:
    return url.get_backend_name() == "sqlite"


def _short(fault: BaseException) -> str:
    origin = getattr(fault, "orig", None) or fault
    return " ".join(str(origin).split())[:200] or type(origin).__name__


# -- opening -------------------------------------------------------------------


def _engine(url: URL) -> Engine:
    if not _is_sqlite(url):
        return create_engine(url, pool_pre_ping=True)
    Path(str(url.database)).parent.mkdir(parents=True, exist_ok=True)
    engine = create_engine(url, connect_args={"timeout": BUSY_SECONDS})
    event.listen(engine, "connect", _on_connect)
    event.listen(engine, "begin", _on_begin)
    return engine


def _on_connect(connection: DBAPIConnection, _: object) -> None:
    # Python's own driver would begin transactions late and commit before some statements:
    # it is told to do neither, and _on_begin says BEGIN instead.
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {round(1000 * BUSY_SECONDS)}")
    cursor.execute("PRAGMA journal_mode = WAL")
    cursor.execute("PRAGMA synchronous = FULL")  # a write that was told done outlives a power cut
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.execute("PRAGMA secure_delete = ON")  # what is deleted is gone from the file too
    cursor.close()


def _on_begin(connection: Connection) -> None:
    write = connection.get_execution_options().get(WRITE)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


@contextmanager
def _only_one(folder: Path) -> Iterator[None]:
    """Hold a lock between processes; the system lets go of it if we are killed.

    An exclusive transaction on a database of nothing: works alike on every system.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with closing(sqlite3.connect(folder / LOCK_NAME, timeout=60, isolation_level=None)) as lock:
        lock.execute("BEGIN EXCLUSIVE")
        try:
            yield
        finally:
            lock.execute("ROLLBACK")


# -- damaged files -------------------------------------------------------------


def _checked(path: Path) -> tuple[str, ...]:
    """Check a database file; set it aside if it is damaged and say so."""
    if not path.exists() or path.stat().st_size == 0:
        return ()
    fault = _damage(path)
    if fault is None:
        return ()
    aside = set_aside(path)
    return (
        f"The records file was damaged ({fault}). It was kept as {aside.name} in "
        f"{aside.parent}, and new records were begun. Import your last export to get "
        "your pieces back; the photos are still there.",
    )


def _damage(path: Path) -> str | None:
    """Return what is wrong with a database file, None if it is sound.

    A file that is merely busy or may not be read is not damaged: that is raised. Only
    SQLite itself opens it: whoever else closes it in this process lets go of all locks that
    SQLite holds on it (POSIX; "How To Corrupt An SQLite Database File", 2.2).
    """
    if path.stat().st_size < _SMALLEST_BYTES:  # SQLite would take a stray byte for an empty file
        return "not a database any more"
    try:
        with closing(sqlite3.connect(path, timeout=BUSY_SECONDS)) as connection:
            (verdict,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.OperationalError as fault:
        if "malformed" in str(fault):
            return _short(fault)
        raise
    except sqlite3.DatabaseError as fault:
        return _short(fault)
    return None if verdict == "ok" else " ".join(str(verdict).split())[:200]


def set_aside(path: Path) -> Path:
    """Give a damaged file a name with the time, its log files with it; return the new name."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    number = 0
    while True:
        more = f"-{number}" if number else ""
        aside = path.with_name(f"{path.stem}.damaged-{stamp}{more}{path.suffix}")
        if not any(aside.with_name(aside.name + end).exists() for end in ("", *_SIDECARS)):
            break
        number += 1
    # The logs first: were we stopped half-way, the next start finds the file still damaged.
    for end in (*_SIDECARS, ""):
        part = path.with_name(path.name + end)
        if part.exists():
            part.rename(aside.with_name(aside.name + end))
    return aside


def files_set_aside(path: Path) -> tuple[Path, ...]:
    """Return damaged files that were set aside, oldest first."""
    return tuple(sorted(path.parent.glob(f"{path.stem}.damaged-*{path.suffix}*")))


# -- migrations ----------------------------------------------------------------


def newest_revision() -> str:
    """Return the revision that this version of the program works with.

    Migrations are ``migrations/versions/vNNNN_what.py``, one after the other.
    """
    return max(path.name[1:5] for path in (MIGRATIONS / "versions").glob("v[0-9]*.py"))


def _migrate(engine: Engine) -> None:
    """Bring the tables up to date, all in one transaction."""
    newest = newest_revision()
    with writing_engine(engine).begin() as connection:
        current = _revision(connection)
        if current == newest:
            return
        if current is not None and (not current.isdigit() or current > newest):
            raise NewerStoreError(
                "the records were written by a newer version of the program",
                fix="Install the newer version, or point to another data folder.",
            )
        if current is None and _has_tables(connection):
            raise RecordsError(
                "the database holds tables that are not ours",
                fix="Give an empty database, or another file.",
            )
        _upgrade(connection)


def _has_tables(connection: Connection) -> bool:
    from sqlalchemy import inspect

    return bool(inspect(connection).get_table_names())


def _revision(connection: Connection) -> str | None:
    from sqlalchemy import inspect

    if not inspect(connection).has_table("alembic_version"):
        return None
    row = connection.exec_driver_sql("SELECT version_num FROM alembic_version").fetchone()
    return None if row is None else str(row[0])


def _upgrade(connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    # Alembic reads a percent sign in a path as the start of a name.
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
