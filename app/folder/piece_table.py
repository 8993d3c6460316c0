"""Graded photos as a table: one row a piece, for spreadsheets and data frames."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from app.files import harmless, write_whole

Row = dict[str, Any]

_TEXT, _NUMBER, _COUNT, _FLAG = "text", "number", "count", "flag"
_FINISHES = ("bright", "tarnished", "green", "coated", "tinned")

COLUMNS: Mapping[str, str] = {
    "photo": _TEXT,
    "sha256": _TEXT,
    "piece": _COUNT,
    "pieces": _COUNT,
    "reference": _TEXT,
    "mm_per_px": _NUMBER,
    "tilt_deg": _NUMBER,
    "box_x_px": _COUNT,
    "box_y_px": _COUNT,
    "box_width_px": _COUNT,
    "box_height_px": _COUNT,
    "form": _TEXT,
    "diameter_mm": _NUMBER,
    "u_diameter_mm": _NUMBER,
    "diameter_low95_mm": _NUMBER,
    "diameter_high95_mm": _NUMBER,
    "strand_diameter_mm": _NUMBER,
    "u_strand_diameter_mm": _NUMBER,
    "awg": _NUMBER,
    **{f"{finish}_share": _NUMBER for finish in _FINISHES},
    "tarnish_level": _NUMBER,
    "u_tarnish_level": _NUMBER,
    "brass_p": _NUMBER,
    "solder_p": _NUMBER,
    "grade": _TEXT,
    "confidence": _NUMBER,
    "borderline": _FLAG,
    "settle": _TEXT,
    "reason": _TEXT,
    "grade_p": _TEXT,
    "problems": _TEXT,
}
"""Every column with its kind. ``grade_p`` is ``grade=chance`` joined by blanks."""


def rows_of(told: Mapping[str, Any]) -> list[Row]:
    """Return the rows of one photo's object (``cuproscope.grade/1``).

    A photo without pieces gives one row, with piece 0 and its problems.
    """
    scale = told["scale"] or {}
    head: Row = {
        **dict.fromkeys(COLUMNS),
        "photo": told["photo"]["name"],
        "sha256": told["photo"]["sha256"],
        "piece": 0,
        "pieces": len(told["pieces"]),
        "reference": scale.get("reference"),
        "mm_per_px": scale.get("mm_per_px"),
        "tilt_deg": scale.get("tilt_deg"),
        "problems": " ".join(problem["code"] for problem in told["problems"]),
    }
    if not told["pieces"]:
        return [head]
    return [
        {**head, "piece": number, **_piece(piece)}
        for number, piece in enumerate(told["pieces"], start=1)
    ]


def _piece(piece: Mapping[str, Any]) -> Row:
    x, y, width, height = piece["box_px"] or (None, None, None, None)
    diameter, strand = piece["diameter_mm"] or {}, piece["strand_diameter_mm"] or {}
    finish, grade = piece["finish"], piece["grade"]
    shares = finish["shares"] if finish else {}
    level = finish["tarnish_level"] if finish else {}
    return {
        "box_x_px": x,
        "box_y_px": y,
        "box_width_px": width,
        "box_height_px": height,
        "form": piece["form"]["value"],
        "diameter_mm": diameter.get("value"),
        "u_diameter_mm": diameter.get("u"),
        "diameter_low95_mm": diameter.get("low95"),
        "diameter_high95_mm": diameter.get("high95"),
        "strand_diameter_mm": strand.get("value"),
        "u_strand_diameter_mm": strand.get("u"),
        "awg": piece["awg"],
        **{f"{name}_share": shares.get(name) for name in _FINISHES},
        "tarnish_level": level.get("value"),
        "u_tarnish_level": level.get("u"),
        "brass_p": piece["brass"]["p"],
        "solder_p": piece["solder"]["p"],
        "grade": grade["suggested"],
        "confidence": grade["confidence"],
        "borderline": grade["borderline"],
        "settle": grade["settle"],
        "reason": grade["reasons"][0]["text"] if grade["reasons"] else None,
        "grade_p": " ".join(f"{name}={p}" for name, p in grade["p"].items()),
    }


def write_csv(path: Path, rows: Sequence[Row]) -> None:
    """Write rows as CSV, whole or not at all; no cell runs as a formula."""

    def write(part: Path) -> None:
        with part.open("w", encoding="utf-8-sig", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(COLUMNS)
            for row in rows:
                writer.writerow([_cell(row[name], kind) for name, kind in COLUMNS.items()])

    write_whole(path, write)


def write_parquet(path: Path, rows: Sequence[Row]) -> None:
    """Write rows as Parquet with fixed types, whole or not at all."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    types = {_TEXT: pa.string(), _NUMBER: pa.float64(), _COUNT: pa.int64(), _FLAG: pa.bool_()}
    schema = pa.schema([(name, types[kind]) for name, kind in COLUMNS.items()])
    table = pa.Table.from_pylist(list(rows), schema=schema)
    write_whole(path, lambda part: pq.write_table(table, part))


def _cell(value: object, kind: str) -> object:
    if value is None:
        return ""
    if kind == _FLAG:
        return "yes" if value else "no"
    return harmless(str(value)) if kind == _TEXT else value
