"""The ticket as a page to print: bins, weights, grades, pay, and what may be questioned."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from app.files import write_whole
from app.load.ticket import Ticket, TicketLine, TicketPiece, differences
from app.load.units import in_unit, money_words
from rules.cautions import SELLING

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas
    from reportlab.platypus import BaseDocTemplate, Flowable

PhotoOf = Callable[[str], bytes | None]
"""Gives a small JPEG or PNG by a photo's hash, None where it is gone."""

MARGIN_MM = 16.0
PHOTO_MM = 42.0
_INK = "#1d2327"
_RULE = "#8a949b"
_PALE = "#eef1f2"

REGULAR, BOLD = "TicketText", "TicketTextBold"


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
    write_whole(path, lambda part: _write(part, ticket, photo_of, paper))


def _write(path: Path, ticket: Ticket, photo_of: PhotoOf | None, paper: str) -> None:
    from reportlab.lib.pagesizes import A4, LETTER
    from reportlab.lib.units import mm
    from reportlab.platypus import SimpleDocTemplate

    _register_fonts()
    document = SimpleDocTemplate(
        str(path),
        pagesize=LETTER if paper == "letter" else A4,
        leftMargin=MARGIN_MM * mm,
        rightMargin=MARGIN_MM * mm,
        topMargin=MARGIN_MM * mm,
        bottomMargin=MARGIN_MM * mm,
        title=f"Ticket {ticket.code}",
        author="Cuproscope",
        lang="en",
        invariant=1,  # the same ticket, the same file
    )
    story: list[Flowable] = [*_head(ticket), _bins(ticket, document.width), *_sums(ticket)]
    if ticket.settled is not None:
        story += _paid(ticket, document.width)
    story += _questioned(ticket, photo_of, document.width)
    story += [_space(6), _text(SELLING, "small")]
    document.build(story, onFirstPage=_foot(ticket), onLaterPages=_foot(ticket))


# ----------------------------------------------------------------------- parts


def _head(ticket: Ticket) -> list[Flowable]:
    return [
        _text(f"Ticket {ticket.code}", "title"),
        _text(f"To <b>{_plain(ticket.buyer)}</b>, {ticket.day}, load “{_plain(ticket.load)}”"),
        _text(
            f"Graded by {_plain(ticket.sheet_title)} ({_plain(ticket.sheet)}, version "
            f"{ticket.sheet_hash[:12]}). The grades are a suggestion; the buyer decides.",
            "small",
        ),
        _space(8),
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
            f"{in_unit(ticket.kg, ticket.unit):.2f}",
            "",
            f"{ticket.labelled:,f}",
            "",
            f"{ticket.expected:,f}",
        ]
    )
    shares = (0.16, 0.14, 0.09, 0.13, 0.12, 0.11, 0.14, 0.11)
    return _table(
        rows, [share * width for share in shares], right=(2, 3, 4, 5, 6, 7), last_bold=True
    )


def _bin_row(ticket: Ticket, line: TicketLine) -> list[Any]:
    price = "no price" if line.price is None else f"{line.price:f} / {line.per}"
    weight = f"{in_unit(line.kg, ticket.unit):.2f}"
    if line.estimated:
        spread = 1.96 * float(in_unit(line.kg, ticket.unit)) * _rel(line)
        weight = f"est. {weight}\n± {spread:.2f}"
    return [
        _text(_plain(line.bin), "cell"),
        _text(_plain(line.title), "cell"),
        str(len(line.pieces) or "not listed"),
        weight,
        price,
        f"{line.amount:,f}",
        f"{min(99, round(100 * line.p_downgrade))} %",
        f"{line.expected:,f}",
    ]


def _rel(line: TicketLine) -> float:
    return line.u_kg / float(line.kg) if line.kg else 0.0


def _sums(ticket: Ticket) -> list[Flowable]:
    lines = [
        f"If every bin holds its grade: <b>{money_words(ticket.labelled, ticket.currency)}</b>. "
        f"Expected, with the doubt of grades and weights: "
        f"<b>{money_words(ticket.expected, ticket.currency)}</b> "
        f"(95 %: {ticket.low95:,f} to {ticket.high95:,f})."
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
    return [_space(6), *(_text(line) for line in lines), _space(6)]


def _paid(ticket: Ticket, width: float) -> list[Flowable]:
    settled = ticket.settled
    assert settled is not None
    rows: list[list[Any]] = [["Grade", "On the ticket", "Expected", "Paid", "Difference"]]
    for one in differences(ticket):
        rows.append(
            [
                _text(_plain(one.title), "cell"),
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
    table = _table(rows, [width * 0.28, *[width * 0.18] * 4], right=(1, 2, 3, 4), last_bold=True)
    story = [_text(f"Paid on {settled.day}", "heading"), table]
    if settled.note:
        story.append(_text(_plain(settled.note)))
    return [*story, _space(6)]


def _questioned(ticket: Ticket, photo_of: PhotoOf | None, width: float) -> list[Flowable]:
    from reportlab.platypus import KeepTogether

    found = ticket.questioned
    if not found:
        return [
            _text("What may be questioned", "heading"),
            _text("No listed piece is likelier than 5 % to be worse than its bin."),
        ]
    cards = [_card(ticket, line, piece, photo_of, width) for line, piece in found]
    return [KeepTogether([_text("What may be questioned", "heading"), cards[0]]), *cards[1:]]


def _card(
    ticket: Ticket, line: TicketLine, piece: TicketPiece, photo_of: PhotoOf | None, width: float
) -> Flowable:
    from reportlab.lib.units import mm
    from reportlab.platypus import Table, TableStyle

    percent = min(99, max(1, round(100 * piece.p_wrong)))
    mass = in_unit(piece.kg, ticket.unit)
    words = [
        _text(f"<b>{_plain(piece.name or piece.id)}</b> in bin {_plain(line.bin)}"),
        _text(
            f"Sold as {_plain(line.title)}; worse with {percent} %, {mass:.2f} {ticket.unit}.",
        ),
        *(_text(_plain(text), "small") for text in piece.measured),
    ]
    if piece.settle:
        words.append(_text(f"To settle it: {_plain(piece.settle)}.", "small"))
    picture = _picture(piece, photo_of)
    card = Table([[picture, words]], colWidths=[(PHOTO_MM + 4) * mm, width - (PHOTO_MM + 4) * mm])
    card.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 5),
                ("LINEABOVE", (0, 0), (-1, 0), 0.5, _RULE),
            ]
        )
    )
    return card


def _picture(piece: TicketPiece, photo_of: PhotoOf | None) -> Flowable:
    from PIL import Image as Picture
    from reportlab.lib.units import mm
    from reportlab.platypus import Image

    data = None if piece.photo is None or photo_of is None else photo_of(piece.photo)
    if data is None:
        return _text("no photo", "small")
    with Picture.open(io.BytesIO(data), formats=["JPEG", "PNG"]) as opened:
        across, down = opened.size
    scale = PHOTO_MM * mm / max(across, down)
    return Image(io.BytesIO(data), width=across * scale, height=down * scale)


# ------------------------------------------------------------------------ look


def _foot(ticket: Ticket) -> Callable[[Canvas, BaseDocTemplate], None]:
    def draw(canvas: Canvas, document: BaseDocTemplate) -> None:
        canvas.saveState()
        canvas.setFont(REGULAR, 7.5)
        canvas.setFillColor(_RULE)
        canvas.drawString(
            document.leftMargin, 20, f"Ticket {ticket.code}, page {canvas.getPageNumber()}"
        )
        canvas.restoreState()

    return draw


def _table(
    rows: list[list[Any]], widths: list[float], *, right: tuple[int, ...], last_bold: bool
) -> Flowable:
    from reportlab.platypus import Table, TableStyle

    table = Table(rows, colWidths=widths, repeatRows=1)
    style: list[Any] = [
        ("FONT", (0, 0), (-1, -1), REGULAR, 8.5),
        ("FONT", (0, 0), (-1, 0), BOLD, 8),
        ("TEXTCOLOR", (0, 0), (-1, -1), _INK),
        ("BACKGROUND", (0, 0), (-1, 0), _PALE),
        ("LINEBELOW", (0, 0), (-1, -2), 0.3, _RULE),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LEFTPADDING", (0, 0), (-1, -1), 4),
        ("RIGHTPADDING", (0, 0), (-1, -1), 4),
        *(("ALIGN", (column, 0), (column, -1), "RIGHT") for column in right),
    ]
    if last_bold:
        style += [
            ("FONT", (0, -1), (-1, -1), BOLD, 8.5),
            ("LINEABOVE", (0, -1), (-1, -1), 0.8, _INK),
        ]
    table.setStyle(TableStyle(style))
    return table


def _text(words: str, look: str = "text") -> Flowable:
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    sizes = {
        "title": (16, 20, BOLD, 4),
        "heading": (11, 14, BOLD, 4),
        "text": (9.5, 13, REGULAR, 3),
        "small": (8, 11, REGULAR, 2),
        "cell": (8.5, 10.5, REGULAR, 0),
    }
    size, leading, font, after = sizes[look]
    style = ParagraphStyle(
        look,
        fontName=font,
        fontSize=size,
        leading=leading,
        spaceAfter=after,
        textColor=_INK,
        splitLongWords=True,
    )
    return Paragraph(words, style)


def _space(points: float) -> Flowable:
    from reportlab.platypus import Spacer

    return Spacer(1, points)


def _plain(text: str) -> str:
    """Return a person's words as words: no markup, and only letters that the font has."""
    return escape("".join(c if _has_letter(c) else "?" for c in text))


def _has_letter(letter: str) -> bool:
    from reportlab.pdfbase import pdfmetrics

    _register_fonts()
    return ord(letter) in pdfmetrics.getFont(REGULAR).face.charToGlyph


def _register_fonts() -> None:
    """Embed the typeface that comes with the library, so that every printer has it."""
    from reportlab.lib.fonts import addMapping
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    if REGULAR in pdfmetrics.getRegisteredFontNames():
        return
    pdfmetrics.registerFont(TTFont(REGULAR, "Vera.ttf"))
    pdfmetrics.registerFont(TTFont(BOLD, "VeraBd.ttf"))
    for bold in (0, 1):
        for italic in (0, 1):
            addMapping(REGULAR, bold, italic, BOLD if bold else REGULAR)
