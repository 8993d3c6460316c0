"""``load ticket`` and ``settle``: the paper for a sale, and what was paid."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from app.load.cli.parts import (
    Subparsers,
    add_command,
    day_of,
    filled,
    load_name,
    opened,
    photos_of,
    show,
    unit_of,
)
from rules.errors import CuproscopeError

if TYPE_CHECKING:
    from app.load.store import LoadStore
    from app.load.ticket import PaidLine, Ticket


def add_commands(of: Subparsers) -> None:
    """Add the commands about tickets."""
    ticket = add_command(of, "ticket", "write the ticket for a sale (PDF and CSV)", _ticket)
    ticket.add_argument("buyer", metavar="BUYER|CODE", help="a new one, or an old one again")
    ticket.add_argument("--bins", nargs="+", default=[], metavar="BIN", help="only these bins")
    ticket.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="write it here")
    ticket.add_argument("--paper", choices=("a4", "letter"), default="a4")

    settle = add_command(of, "settle", "write down what was paid; its bins leave the load", _settle)
    settle.add_argument("code", metavar="CODE")
    settle.add_argument(
        "paid",
        nargs="*",
        metavar="BIN=AMOUNT[@GRADE]",
        help="what was paid, and as which grade; bins left out: as on the ticket",
    )
    settle.add_argument(
        "--blame", action="append", default=[], metavar="PIECE", help="a piece that cost the bin"
    )
    settle.add_argument("--note", default="", metavar="TEXT")
    settle.add_argument("--keep-bins", action="store_true", help="leave the bins in the load")


def _ticket(arguments: argparse.Namespace) -> int:
    from app.load.json_out import ticket_object
    from app.load.report import settled_text

    with opened(arguments) as store:
        known = {one.code: one for one in store.tickets()}
        ticket = known.get(arguments.buyer)
        paths: list[Path] = []

        def hand_out(written: Ticket) -> None:
            paths.extend(_write_files(arguments, store, written))

        if ticket is not None:
            hand_out(ticket)
        else:
            store.buyer(arguments.buyer)
            filled(store, arguments)
            ticket = store.write_ticket(
                load_name(arguments),
                arguments.buyer,
                day=day_of(arguments),
                unit=unit_of(arguments),
                bins=arguments.bins,
                hand_out=hand_out,  # before it is kept: on a full disk nothing was done
            )
    return show(
        arguments,
        lambda: settled_text(ticket) + "".join(f"written: {path}\n" for path in paths),
        lambda: {**ticket_object(ticket), "files": [str(path) for path in paths]},
    )


def _write_files(
    arguments: argparse.Namespace, store: LoadStore, ticket: Ticket
) -> tuple[Path, Path]:
    from app.load.ticket_csv import write_ticket_csv
    from app.load.ticket_pdf import write_ticket_pdf

    pdf = arguments.out / f"ticket-{ticket.code}.pdf"
    table = arguments.out / f"ticket-{ticket.code}.csv"
    try:
        write_ticket_pdf(pdf, ticket, photo_of=photos_of(store), paper=arguments.paper)
        write_ticket_csv(table, ticket)
    except OSError as fault:
        raise CuproscopeError(f"can't be written: {fault}", where=str(arguments.out)) from fault
    return pdf, table


def _settle(arguments: argparse.Namespace) -> int:
    from app.load.json_out import ticket_object
    from app.load.report import settled_text

    with opened(arguments) as store:
        ticket = store.ticket(arguments.code)
        ticket = store.settle(
            arguments.code,
            _paid_lines(ticket, arguments.paid, arguments.blame),
            day=day_of(arguments),
            note=arguments.note,
            keep_bins=arguments.keep_bins,
        )
    return show(arguments, lambda: settled_text(ticket), lambda: ticket_object(ticket))


def _paid_lines(ticket: Ticket, paid: list[str], blamed: list[str]) -> list[PaidLine]:
    from app.load.terms import OTHER_LINES
    from app.load.ticket import PaidLine
    from app.load.units import LoadError, money_from
    from rules.sheet import load_sheet, sheet_names

    by_bin = {line.bin: line for line in ticket.lines}
    known = {grade for name in sheet_names() for grade in load_sheet(name).grade_ids}
    known |= set(OTHER_LINES)
    lines, left = [], set(blamed)
    for text in paid:
        name, equals, told = text.rpartition("=")
        amount, _, grade = told.partition("@")
        line = by_bin.get(name)
        if not equals or line is None:
            raise LoadError(
                f"{text!r} is not BIN=AMOUNT; bins on it: {', '.join(by_bin)}", where=ticket.code
            )
        if grade and grade not in known:
            raise LoadError(f"unknown grade {grade!r}", where=name)
        own = tuple(piece.id for piece in line.pieces if piece.id in left)
        left -= set(own)
        lines.append(
            PaidLine(
                bin=name,
                grade=grade or line.grade,
                amount=money_from(amount, ticket.currency),
                blamed=own,
            )
        )
    if left:
        raise LoadError(f"no paid bin holds piece {min(left)}", where=ticket.code)
    return lines
