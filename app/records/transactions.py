"""How is the database read and written, and what does it mean when it fails?"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Self

from sqlalchemy import Engine, select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session, sessionmaker

from app.records.database import files_set_aside, writing_engine
from app.records.errors import RecordsError
from app.records.models import MetaRow


class Transactions:
    """The sessions of one database, shared by all threads; what is built on it reads and writes."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._reading = sessionmaker(engine)
        self._writing = sessionmaker(writing_engine(engine), expire_on_commit=False)

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A session that reads; for tables beside these too.

        Raises:
            RecordsError: The database failed.
        """
        with _told(), self._reading() as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """A session that alone may write; committed at the end, undone by any exception.

        Keep it short: other writers wait. Raises RecordsError as :meth:`reading`.
        """
        with _told(), self._writing.begin() as session:
            # SQLite has taken the right to write with BEGIN IMMEDIATE; elsewhere this row is it.
            session.execute(select(MetaRow.value).where(MetaRow.key == "lock").with_for_update())
            yield session

    def set_aside_files(self) -> tuple[Path, ...]:
        """Return damaged database files that were set aside."""
        if not self._is_sqlite:
            return ()
        return files_set_aside(Path(str(self._engine.url.database)))

    def shrink(self) -> None:
        """Give the space of deleted rows back, and empty the log that still holds them."""
        if not self._is_sqlite:
            return
        with _told(), self._engine.connect() as connection:
            raw = connection.connection.dbapi_connection
            # Outside any transaction. Somebody who reads just now keeps the old pages a
            # little longer: the rows are gone all the same.
            with suppress(sqlite3.OperationalError):
                if raw is not None:
                    raw.execute("VACUUM")
                    raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    @property
    def _is_sqlite(self) -> bool:
        return self._engine.dialect.name == "sqlite"


@contextmanager
def _told() -> Iterator[None]:
    """Turn what a database raises into our own error."""
    try:
        yield
    except SQLAlchemyError as fault:
        told = str(getattr(fault, "orig", None) or fault)
        for sign, words, fix in _FAULTS:
            if sign in told:
                raise RecordsError(words, fix=fix) from fault
        raise RecordsError(
            f"the records' database failed ({type(fault).__name__})",
            fix="Try again; if it stays, restart the program: a damaged file is set aside then.",
        ) from fault


_FAULTS = (
    ("is full", "the disk is full", "Make room on it and try again; nothing was changed."),
    (
        "is locked",
        "another program is writing to the records",
        "Close it, or wait and try again; nothing was changed.",
    ),
    (
        "readonly",
        "the records may not be written to",
        "Check the rights of the folder; nothing was changed.",
    ),
)
"""What SQLite's own messages mean (sqlite3ErrStr in its source: SQLITE_FULL, BUSY, READONLY)."""
