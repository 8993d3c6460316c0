"""The table for a spreadsheet: one row a piece, and no cell is a formula."""

from __future__ import annotations

import csv
from decimal import Decimal
from pathlib import Path

import pytest

from app.records import Records, RecordsError
from app.records.spreadsheet import export_csv
from tests.app.records.pieces import FINDINGS, GRADING, new_piece, save_piece


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_each_piece_is_a_row(records: Records, tmp_path: Path) -> None:
    saved = save_piece(records, new_piece(1, name='Ä "quoted", with comma', notes="two\nlines"))
    buyer = records.add_buyer("Yard")
    records.record_own_call(saved.id, grade="no1", blind=True)
    records.record_outcome(
        saved.id, buyer_id=buyer.id, grade="no2", paid=Decimal("12.30"), currency="EUR"
    )
    save_piece(records, new_piece(name="newer"))
    assert export_csv(records, tmp_path / "a.csv") == 2
    newer, row = rows_of(tmp_path / "a.csv")
    assert newer["name"] == "newer" and newer["buyer"] == ""
    assert row["name"] == 'Ä "quoted", with comma' and row["notes"] == "two\nlines"
    assert FINDINGS.diameter is not None
    assert float(row["diameter_mm"]) == FINDINGS.diameter.value
    assert float(row["diameter_mm_u"]) == FINDINGS.diameter.u
    assert float(row["tarnish_level"]) == 0.3 and row["strand_diameter_mm"] == ""
    assert row["suggested"] == GRADING.suggested and row["form"] == "wire"
    assert (row["stated_magnet"], row["stated_oil"]) == ("free", "")
    assert (row["own_call"], row["own_call_blind"]) == ("no1", "yes")
    assert (row["paid"], row["currency"], row["graded_by_buyer"]) == ("12.30", "EUR", "no2")
    assert row["photos"] == saved.photos[0].sha256


@pytest.mark.parametrize(
    "name",
    # The triggers that OWASP's page on CSV injection lists, with the full-width forms.
    ["=1+1", "+1", "-1", "@SUM(1)", "＝1", "＋1", "－1", "＠x", "  =1", '=cmd|"/c calc"!A1'],
)
def test_no_cell_is_a_formula(records: Records, tmp_path: Path, name: str) -> None:
    save_piece(records, new_piece(name=name, notes=f"{name}\n{name}"))
    export_csv(records, tmp_path / "a.csv")
    (row,) = rows_of(tmp_path / "a.csv")
    for cell in (row["name"], row["notes"]):
        assert cell.startswith("'")
        assert cell.lstrip("'").startswith(name.strip())


def test_an_empty_store_gives_the_columns(records: Records, tmp_path: Path) -> None:
    assert export_csv(records, tmp_path / "a.csv") == 0
    assert (tmp_path / "a.csv").read_bytes().startswith(b"\xef\xbb\xbfid,recorded_utc,name")


def test_what_can_t_be_written_is_told(records: Records, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(RecordsError, match="written"):
        export_csv(records, tmp_path / "file" / "a.csv")
