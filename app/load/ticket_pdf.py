"""The ticket as a page to print: bins, weights, grades, pay, and what may be questioned."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from app.load.paper import PhotoOf, card, picture, plain, space, table_of, text, write_page
from app.load.settling import differences
from app.load.ticket import Ticket, TicketLine, TicketPiece
from app.load.units import in_unit, mass_words, money_words, rounded, told_mass
from app.words import percent_of
from rules.cautions import SELLING
from rules.findings import K95
from rules.sentences import sentence

if TYPE_CHECKING:
    from reportlab.platypus import Flowable


def write_ticket_pdf(
    path: Path, ticket: Ticket, *, photo_of: PhotoOf | None = None, paper: str = "a4"
) -> None:
    """Write a ticket to print, whole or not at all.

    Args:
        path: Where to.
        ticket: The ticket, settled or not.
        photo_of: Where the photos of questioned pieces come from.
        paper: ``a4`` or ``letter``.

    Raises:
        OSError: The file can't be written.
    """

    def story_of(width: float) -> list[Flowable]:
        story = [*_head(ticket), _bins(ticket, width), *_sums(ticket)]
        if ticket.settled is not None:
            story += _paid(ticket, width)
        story += _questioned(ticket, photo_of, width)
        return [*story, space(6), text(SELLING, "small")]

    write_page(path, story_of, title=f"Ticket {ticket.code}", paper=paper)


# ----------------------------------------------------------------------- parts


def _head(ticket: Ticket) -> list[Flowable]:
    return [
        text(f"Ticket {ticket.code}", "title"),
        text(f"To <b>{plain(ticket.buyer)}</b>, {ticket.day}, load “{plain(ticket.load)}”"),
        text(
            f"Graded by {plain(ticket.sheet_title)} ({plain(ticket.sheet)}, version "
            f"{ticket.sheet_hash[:12]}). The grades are a suggestion; the buyer decides.",
            "small",
        ),
        space(8),
    ]


def _bins(ticket: Ticket, width: float) -> Flowable:
    head = [
        "Bin",
        "Grade",
        "Pieces",
        f"Net {ticket.unit}",
        "Price",
        f"{ticket.currency}",
        "Chance it is\npaid as less",
        f"Expected\n{ticket.currency}",
    ]
    rows = [head, *(_bin_row(ticket, line) for line in ticket.lines)]
    rows.append(
        [
            "Together",
            "",
            "",
            f"{ticket.mass:f}",
            "",
            f"{ticket.labelled:,f}",
            "",
            f"{ticket.expected:,f}",
        ]
    )
    shares = (0.16, 0.14, 0.09, 0.13, 0.12, 0.11, 0.14, 0.11)
    return table_of(
        rows, [share * width for share in shares], right=(2, 3, 4, 5, 6, 7), last_bold=True
    )


def _bin_row(ticket: Ticket, line: TicketLine) -> list[Any]:
    price = "no price" if line.price is None else f"{line.price:f} / {line.per}"
    weight = f"{told_mass(line.kg, ticket.unit):f}"
    if line.estimated:
        spread = K95 * float(in_unit(line.kg, ticket.unit)) * _rel(line)
        weight = f"est. {weight}\n± {spread:.2f}"
    return [
        text(plain(line.bin), "cell"),
        text(plain(line.title), "cell"),
        str(len(line.pieces) or "not listed"),
        weight,
        price,
        f"{rounded(line.amount, ticket.currency):,f}",
        f"{percent_of(line.p_downgrade)} %",
        f"{line.expected:,f}",
    ]


def _rel(line: TicketLine) -> float:
    return line.u_kg / float(line.kg) if line.kg else 0.0


def _sums(ticket: Ticket) -> list[Flowable]:
    lines = [
        f"If every bin holds its grade: <b>{money_words(ticket.labelled, ticket.currency)}</b>. "
        f"Expected, with the doubt of grades and weights: "
        f"<b>{money_words(ticket.expected, ticket.currency)}</b> "
        f"(in 95 of 100 cases {ticket.low95:,f} to {ticket.high95:,f})."
    ]
    if ticket.deduction:
        lines.append(
            f"The buyer takes {float(100 * ticket.deduction):.4g} % off the weight; it is off "
            "in the amounts."
        )
    if any(line.estimated for line in ticket.lines):
        lines.append(
            "“est.”: estimated from size or told off, not weighed; ± is for 95 %. "
            "The buyer's scale decides."
        )
    return [space(6), *(text(line) for line in lines), space(6)]


def _paid(ticket: Ticket, width: float) -> list[Flowable]:
    settled = ticket.settled
    assert settled is not None
    rows: list[list[Any]] = [["Grade", "On the ticket", "Expected", "Paid", "Difference"]]
    for one in differences(ticket):
        rows.append(
            [
                text(plain(one.title), "cell"),
                f"{one.labelled:,f}",
                f"{one.expected:,f}",
                f"{one.paid:,f}",
                f"{one.difference:+,f}",
            ]
        )
    rows.append(
        [
            "Together",
            f"{ticket.labelled:,f}",
            f"{ticket.expected:,f}",
            f"{settled.paid:,f}",
            f"{settled.paid - ticket.labelled:+,f}",
        ]
    )
    table = table_of(rows, [width * 0.28, *[width * 0.18] * 4], right=(1, 2, 3, 4), last_bold=True)
    story = [text(f"Paid on {settled.day}", "heading"), table]
    if settled.note:
        story.append(text(plain(settled.note)))
    return [*story, space(6)]


def _questioned(ticket: Ticket, photo_of: PhotoOf | None, width: float) -> list[Flowable]:
    from reportlab.platypus import KeepTogether

    found = ticket.questioned
    if not found:
        return [
            text("What may be questioned", "heading"),
            text("No listed piece is likelier than 5 % to be worse than its bin."),
        ]
    cards = [_card(ticket, line, piece, photo_of, width) for line, piece in found]
    return [KeepTogether([text("What may be questioned", "heading"), cards[0]]), *cards[1:]]


def _card(
    ticket: Ticket, line: TicketLine, piece: TicketPiece, photo_of: PhotoOf | None, width: float
) -> Flowable:
    percent = min(99, max(1, round(100 * piece.p_wrong)))
    words = [
        text(f"<b>{plain(piece.name or piece.id)}</b> in bin {plain(line.bin)}"),
        text(
            f"Sold as {plain(line.title)}; {percent} % likely worse; "
            f"{mass_words(piece.kg, ticket.unit)}.",
        ),
    ]
    if piece.measured:
        words.append(text(plain(" · ".join(piece.measured)), "small"))
    if piece.settle:
        words.append(text(plain(sentence(f"to settle it: {piece.settle}")), "small"))
    return card(picture(piece.photo, piece.record, photo_of), words, width=width)
