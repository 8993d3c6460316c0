"""The records as a table for a spreadsheet: one row a piece.

For reading, not for getting records back: that is what :mod:`app.records.archive` is for.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from app.files import harmless, write_whole
from app.records.errors import RecordsError
from app.records.types import PieceRecord
from rules.findings import Facts, Finish, Measurement, What

if TYPE_CHECKING:
    from app.records.store import Records

Cell = str | float | int | None


def export_csv(records: Records, path: Path) -> int:
    """Write all pieces, newest first, into a CSV file, whole or not at all.

    UTF-8 with a byte order mark and lines ended by CR LF (RFC 4180), as spreadsheets
    expect. Text that could be taken for a formula gets an apostrophe before it.

    Returns:
        The number of pieces.

    Raises:
        RecordsError: The file can't be written.
    """
    pieces, columns = records.pieces(), _columns()

    def write(part: Path) -> None:
        with part.open("w", encoding="utf-8-sig", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(columns)
            writer.writerows([_cell(of(piece)) for of in columns.values()] for piece in pieces)

    try:
        write_whole(path, write)
    except OSError as fault:
        raise RecordsError(f"can't be written: {fault}", where=str(path)) from fault
    return len(pieces)


def _cell(value: Cell) -> str:
    if value is None:
        return ""
    if not isinstance(value, str):
        return repr(value) if isinstance(value, float) else str(value)
    return harmless(value)


Column = Callable[[PieceRecord], Cell]


def _columns() -> dict[str, Column]:
    """Return what each column shows of a piece; only ever added to, behind the others."""
    columns: dict[str, Column] = {
        "id": lambda piece: piece.id,
        "recorded_utc": lambda piece: piece.created_utc.isoformat(),
        "name": lambda piece: piece.name,
        "suggested": lambda piece: piece.grading.suggested,
        "confidence": lambda piece: piece.grading.confidence,
        "borderline": lambda piece: _words(piece.grading.borderline),
        "reason": lambda piece: next((r.text for r in piece.grading.reasons), None),
        "form": lambda piece: str(piece.findings.form.value),
        "form_stated": lambda piece: _words(piece.findings.form.stated),
    }
    columns |= _measured("diameter_mm", lambda piece: piece.findings.diameter)
    columns |= _measured("strand_diameter_mm", lambda piece: piece.findings.strand_diameter)
    columns |= {f"{finish}_share": _share(finish) for finish in Finish}
    columns |= _measured("tarnish_level", _tarnish_level)
    columns |= {
        "brass_p": lambda piece: piece.findings.p_of(What.BRASS),
        "solder_p": lambda piece: piece.findings.p_of(What.SOLDER),
    }
    columns |= {f"stated_{fact}": _fact(fact) for fact in Facts.__dataclass_fields__}
    columns |= {
        "sheet": lambda piece: piece.sheet.id,
        "sheet_hash": lambda piece: piece.sheet.hash,
        "own_call": _last("own_calls", "grade"),
        "own_call_blind": _last("own_calls", "blind"),
        "own_call_by": _last("own_calls", "who"),
        "own_call_utc": _last("own_calls", "called_utc"),
        "buyer": _last("outcomes", "buyer_name"),
        "graded_by_buyer": _last("outcomes", "grade"),
        "paid": _last("outcomes", "paid"),
        "currency": _last("outcomes", "currency"),
        "weight_kg": _last("outcomes", "weight_kg"),
        "outcome_utc": _last("outcomes", "told_utc"),
        "outcomes": lambda piece: len(piece.outcomes),
        "tags": lambda piece: " ".join(piece.tags),
        "photos": lambda piece: " ".join(photo.sha256 for photo in piece.photos),
        "notes": lambda piece: piece.notes,
    }
    return columns


def _measured(name: str, of: Callable[[PieceRecord], Measurement | None]) -> dict[str, Column]:
    def part(key: str) -> Column:
        def column(piece: PieceRecord) -> Cell:
            measured = of(piece)
            return None if measured is None else _words(getattr(measured, key))

        return column

    keys = {"": "value", "_u": "u", "_low95": "low95", "_high95": "high95", "_origin": "origin"}
    return {f"{name}{end}": part(key) for end, key in keys.items()}


def _tarnish_level(piece: PieceRecord) -> Measurement | None:
    finish = piece.findings.finish
    return None if finish is None else finish.tarnish_level


def _share(finish: Finish) -> Column:
    def column(piece: PieceRecord) -> Cell:
        seen = piece.findings.finish
        return None if seen is None else seen.shares.get(finish, 0.0)

    return column


def _fact(name: str) -> Column:
    return lambda piece: _words(getattr(piece.findings.facts, name))


def _last(what: str, key: str) -> Column:
    def column(piece: PieceRecord) -> Cell:
        said = getattr(piece, what)
        return _words(getattr(said[-1], key)) if said else None

    return column


def _words(value: object) -> Cell:
    """Return a value as a cell: yes or no, a number, a time, or text."""
    if value is None or isinstance(value, float):
        return value
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value.isoformat() if isinstance(value, datetime) else str(value)
