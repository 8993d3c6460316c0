"""What must hold of a row that comes in, beside its types? Told by whoever owns the table.

The rows of a table are read as its own pages and commands read them; what those could not
show or use later is refused now, with its place.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from sqlalchemy.orm import Session

from app.records.errors import RecordsError
from app.records.models import NAME_LENGTH, Base
from app.records.text import many_lines, name_key, one_line

CheckRow = Callable[[Mapping[str, Any]], object]
"""Raises CuproscopeError or ValueError for a row that can't be."""

CheckAll = Callable[[Session], object]
"""The same for all rows together, once they are in."""

_ROWS, _ALL = "cuproscope-check-row", "cuproscope-check-all"


def register(*, rows: Mapping[str, CheckRow], together: CheckAll | None = None) -> None:
    """Name what checks the rows of some tables that come in by an import."""
    Base.metadata.info.setdefault(_ROWS, {}).update(rows)
    if together is not None:
        checks = Base.metadata.info.setdefault(_ALL, [])
        if together not in checks:
            checks.append(together)


def check_row(table: str, values: Mapping[str, Any]) -> None:
    """Check one row; raises what its owner raises."""
    Base.metadata.info.get(_ROWS, {}).get(table, lambda _: None)(values)


def check_all(session: Session) -> None:
    """Check all rows of all tables as they lie together now."""
    for check in Base.metadata.info.get(_ALL, ()):
        check(session)


def check_line(text: str, what: str, *, longest: int = NAME_LENGTH, empty: bool = False) -> None:
    """Refuse a name that is empty or has what names are freed of when they are typed."""
    if one_line(text, longest=longest) != text or not (text or empty):
        raise RecordsError("is no name: one line, no odd characters", where=what)


def check_named(values: Mapping[str, Any]) -> None:
    """Check a row of ``name`` and ``name_key``."""
    check_line(values["name"], "name")
    if values["name_key"] != name_key(values["name"]):
        raise RecordsError("is not the key of that name", where="name_key")


def _check_buyer(values: Mapping[str, Any]) -> None:
    check_named(values)
    if many_lines(values["notes"]) != values["notes"]:
        raise RecordsError("has odd characters", where="notes")


register(rows={"buyer": _check_buyer})
