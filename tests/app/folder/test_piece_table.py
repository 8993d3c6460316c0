"""Rows of a folder's tables, read back by Python's csv and by pyarrow."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from app.folder.piece_table import COLUMNS, rows_of, write_csv, write_parquet

PIECE: dict[str, Any] = {
    "box_px": [1, 2, 30, 40],
    "form": {"value": "wire", "p": {}, "stated": False},
    "diameter_mm": {"value": 2.05, "u": 0.01, "low95": 2.03, "high95": 2.07},
    "strand_diameter_mm": None,
    "awg": 12.03,
    "finish": {
        "shares": {"bright": 0.9, "tarnished": 0.1, "green": 0.0, "coated": 0.0, "tinned": 0.0},
        "tarnish_level": {"value": 0.2, "u": 0.05},
    },
    "brass": {"p": 0.01},
    "solder": {"p": 0.02},
    "grade": {
        "suggested": "no1",
        "confidence": 0.97,
        "p": {"no1": 0.97, "no2": 0.03},
        "borderline": False,
        "settle": None,
        "reasons": [{"text": "=thick enough"}],
    },
}


def told(*pieces: dict[str, Any], name: str = "a.jpg") -> dict[str, Any]:
    return {
        "photo": {"name": name, "sha256": "0" * 64},
        "scale": {"reference": "card", "mm_per_px": 0.05, "tilt_deg": 3.0},
        "pieces": list(pieces),
        "problems": [{"code": "blurred"}, {"code": "dark"}],
    }


def test_a_row_says_what_the_answer_says() -> None:
    (row,) = rows_of(told(PIECE))
    assert tuple(row) == tuple(COLUMNS)
    assert (row["piece"], row["pieces"], row["problems"]) == (1, 1, "blurred dark")
    assert (row["box_width_px"], row["diameter_low95_mm"], row["awg"]) == (30, 2.03, 12.03)
    assert (row["bright_share"], row["u_tarnish_level"]) == (0.9, 0.05)
    assert row["strand_diameter_mm"] is None
    assert row["grade_p"] == "no1=0.97 no2=0.03"


def test_a_photo_without_pieces_still_has_a_row_and_each_piece_has_one() -> None:
    (row,) = rows_of(told())
    assert (row["piece"], row["pieces"], row["grade"]) == (0, 0, None)
    assert [row["piece"] for row in rows_of(told(PIECE, PIECE))] == [1, 2]


def test_what_was_not_measured_is_nothing_and_not_nought() -> None:
    bare = {**PIECE, "finish": None, "diameter_mm": None, "box_px": None}
    (row,) = rows_of({**told(bare), "scale": None})
    for name in ("bright_share", "tarnish_level", "diameter_mm", "mm_per_px", "box_x_px"):
        assert row[name] is None


@pytest.mark.parametrize("name", ["a.jpg", "=HYPERLINK(1).jpg", "ä, “b”\nc.jpg"])
def test_both_tables_hold_the_same_and_csv_runs_no_formula(tmp_path: Path, name: str) -> None:
    """OWASP, "CSV Injection": a cell that begins like a formula gets an apostrophe."""
    rows = [*rows_of(told(PIECE, name=name)), *rows_of(told(name="empty.jpg"))]
    write_csv(tmp_path / "t.csv", rows)
    write_parquet(tmp_path / "t.parquet", rows)
    with (tmp_path / "t.csv").open(encoding="utf-8-sig", newline="") as file:
        read = list(csv.DictReader(file))
    table = pq.read_table(tmp_path / "t.parquet")
    assert tuple(read[0]) == tuple(table.column_names) == tuple(COLUMNS)
    for mine, theirs in zip(read, table.to_pylist(), strict=True):
        for key, value in theirs.items():
            cell = mine[key]
            if value is None:
                assert cell == ""
            elif isinstance(value, bool):
                assert cell == ("yes" if value else "no")
            elif isinstance(value, str):
                assert cell in (value, f"'{value}")
                assert not cell.startswith("=")
            else:
                assert float(cell) == value
    assert {str(table.schema.field(n).type) for n in ("piece", "borderline", "awg")} == {
        "int64",
        "bool",
        "double",
    }
    assert table.schema.field("reason").type == pa.string()
