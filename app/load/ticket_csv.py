"""The ticket as a table for a spreadsheet."""

from __future__ import annotations

import csv
from pathlib import Path

from app.files import harmless, write_whole
from app.load.ticket import Ticket
from app.load.units import told_mass

COLUMNS = (
    "ticket",
    "day",
    "buyer",
    "sheet",
    "sheet_version",
    "bin",
    "grade",
    "pieces",
    "net_kg",
    "net",
    "unit",
    "weight_is",
    "paid_weight",
    "price",
    "price_per",
    "currency",
    "amount",
    "chance_of_downgrade",
    "expected",
    "paid_as",
    "paid",
)


def write_ticket_csv(path: Path, ticket: Ticket) -> None:
    """Write a ticket, one line a bin, whole or not at all.

    The amounts add up to the ticket's own total. UTF-8 with a mark at its start, which
    spreadsheets want; a name that a spreadsheet would take for a formula gets a quote
    before it.

    Raises:
        OSError: The file can't be written.
    """

    def write(part: Path) -> None:
        with part.open("w", encoding="utf-8-sig", newline="") as file:
            rows = csv.writer(file)
            rows.writerow(COLUMNS)
            rows.writerows(_rows(ticket))

    write_whole(path, write)


def _rows(ticket: Ticket) -> list[list[str]]:
    paid = {} if ticket.settled is None else {one.bin: one for one in ticket.settled.lines}
    rows = []
    for line in ticket.lines:
        settled = paid.get(line.bin)
        rows.append(
            [
                ticket.code,
                ticket.day,
                harmless(ticket.buyer),
                harmless(ticket.sheet),
                ticket.sheet_hash[:12],
                harmless(line.bin),
                harmless(line.title),
                str(len(line.pieces)),
                f"{line.kg:.4f}",
                f"{told_mass(line.kg, ticket.unit):f}",
                str(ticket.unit),
                "estimated" if line.estimated else "scale",
                f"{told_mass(line.paid_kg, ticket.unit):f}",
                "" if line.price is None else f"{line.price:f}",
                "" if line.price is None else str(line.per),
                ticket.currency,
                f"{line.amount:f}",
                f"{line.p_downgrade:.3f}",
                f"{line.expected:f}",
                "" if settled is None else harmless(settled.grade),
                "" if settled is None else f"{settled.amount:f}",
            ]
        )
    return rows
