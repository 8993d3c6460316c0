"""The ticket as a table, read back with Python's own CSV reader; sums by hand."""

from __future__ import annotations

import csv
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from app.load.settling import settle
from app.load.ticket import PaidLine, Ticket
from app.load.ticket_csv import COLUMNS, write_ticket_csv
from tests.app.load.loads import DAY
from tests.app.load.tickets import a_ticket


def rows_of(path: Path, ticket: Ticket) -> list[dict[str, str]]:
    write_ticket_csv(path, ticket)
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_the_table_adds_up_and_runs_no_formula(tmp_path: Path) -> None:
    ticket = a_ticket()
    first = replace(ticket.lines[0], bin='=HYPERLINK("x")')
    path = tmp_path / "t.csv"
    write_ticket_csv(path, replace(ticket, lines=(first, *ticket.lines[1:])))
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == COLUMNS
    assert sum(Decimal(row["amount"]) for row in rows) == ticket.labelled
    assert rows[0]["bin"] == '\'=HYPERLINK("x")'


def test_pounds_are_those_of_1959_and_the_deduction_is_off_the_paid_weight(tmp_path: Path) -> None:
    # 0.45359237 kg a pound, exact (international yard and pound agreement, 1959): 10 kg are
    # 22.046 lb; a tenth kept back leaves 19.841.
    ones, twos = rows_of(tmp_path / "t.csv", a_ticket(deduction=Decimal("0.1")))
    assert (ones["net_kg"], ones["net"], ones["unit"]) == ("10.0000", "22.05", "lb")
    assert ones["paid_weight"] == "19.84"
    assert (twos["net"], twos["paid_weight"]) == ("6.61", "5.95")
    # 9 kg at 8.00 and 2.7 kg at 6.00
    assert [row["amount"] for row in (ones, twos)] == ["72.00", "16.20"]


def test_each_line_says_what_it_is_sold_as_and_how_sure(tmp_path: Path) -> None:
    # One piece of two is wrong in one case of four: 0.25; a bin of no pieces is taken at its word.
    ones, twos = rows_of(tmp_path / "t.csv", a_ticket())
    assert [(row["bin"], row["pieces"], row["price"]) for row in (ones, twos)] == [
        ("ones", "2", "8.00"),
        ("twos", "0", "6.00"),
    ]
    assert [row["chance_of_downgrade"] for row in (ones, twos)] == ["0.250", "0.000"]
    assert {row["weight_is"] for row in (ones, twos)} == {"scale"}
    assert {row["sheet_version"] for row in (ones, twos)} == {"abababababab"}


def test_what_was_paid_stands_beside_what_was_promised(tmp_path: Path) -> None:
    unpaid = rows_of(tmp_path / "before.csv", a_ticket())
    assert [row["paid_as"] + row["paid"] for row in unpaid] == ["", ""]
    paid = settle(a_ticket(), [PaidLine(bin="ones", grade="no2", amount=Decimal(60))], day=DAY)
    rows = rows_of(tmp_path / "after.csv", paid)
    assert [(row["paid_as"], row["paid"]) for row in rows] == [("no2", "60.00"), ("no2", "18.00")]
    assert sum(Decimal(row["paid"]) for row in rows) == Decimal(78)


def test_a_bin_that_nobody_prices_has_an_empty_price(tmp_path: Path) -> None:
    ticket = a_ticket()
    bare = replace(ticket.lines[1], price=None, amount=Decimal(0))
    rows = rows_of(tmp_path / "t.csv", replace(ticket, lines=(ticket.lines[0], bare)))
    assert (rows[1]["price"], rows[1]["price_per"], rows[1]["amount"]) == ("", "", "0")


def test_names_with_commas_quotes_and_line_ends_stay_one_cell(tmp_path: Path) -> None:
    odd = 'tub "A", left\nshelf'
    ticket = a_ticket()
    rows = rows_of(tmp_path / "t.csv", replace(ticket, buyer=odd))
    assert len(rows) == 2
    assert {row["buyer"] for row in rows} == {odd}


def test_a_folder_that_can_not_be_written_leaves_no_half_file(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file, no folder")
    with pytest.raises(OSError):
        write_ticket_csv(tmp_path / "taken" / "t.csv", a_ticket())
    assert [path.name for path in tmp_path.iterdir()] == ["taken"]
