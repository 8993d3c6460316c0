"""How printed pages look: type, tables, cards with a picture, the line at the foot."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from app.files import write_whole

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas
    from reportlab.platypus import BaseDocTemplate, Flowable

PhotoOf = Callable[[str, str | None], bytes | None]
"""Gives a small JPEG or PNG by a photo's hash and the piece's record; None where it is gone."""

MARGIN_MM = 16.0
FRAME_PADDING = 6.0
"""Points between the margin and the text: the page maker's own."""

PHOTO_MM = 42.0
_INK = "#1d2327"
_RULE = "#8a949b"
_PALE = "#eef1f2"

REGULAR, BOLD = "CuproscopeText", "CuproscopeTextBold"


def write_page(
    path: Path,
    story_of: Callable[[float], Sequence[Flowable]],
    *,
    title: str,
    paper: str = "a4",
) -> None:
    """Write a document of one column, whole or not at all; the same story, the same file.

    Args:
        path: Where to.
        story_of: Gives what stands on it for the column's width in points.
        title: Its title, also at the foot of each page.
        paper: ``a4`` or ``letter``.

    Raises:
        OSError: The file can't be written.
    """
    from reportlab.lib.pagesizes import A4, LETTER
    from reportlab.lib.units import mm
    from reportlab.platypus import SimpleDocTemplate

    def write(part: Path) -> None:
        _register_fonts()
        document = SimpleDocTemplate(
            str(part),
            pagesize=LETTER if paper == "letter" else A4,
            leftMargin=MARGIN_MM * mm,
            rightMargin=MARGIN_MM * mm,
            topMargin=MARGIN_MM * mm,
            bottomMargin=MARGIN_MM * mm,
            title=title,
            author="Cuproscope",
            lang="en",
            invariant=1,
        )
        foot = _foot(title)
        # The frame's own padding: tables end where the lines of the text do.
        width = document.width - 2 * FRAME_PADDING
        document.build(list(story_of(width)), onFirstPage=foot, onLaterPages=foot)

    write_whole(path, write)


def card(photo: Flowable | None, words: Sequence[Flowable], *, width: float) -> Flowable:
    """Return words, beside their photo where there is one, kept together under a line."""
    from reportlab.lib.units import mm
    from reportlab.platypus import Table, TableStyle

    beside = 0.0 if photo is None else (PHOTO_MM + 4) * mm
    cells, widths = [list(words)], [width - beside]
    made = Table(
        [cells if photo is None else [photo, *cells]],
        colWidths=widths if photo is None else [beside, *widths],
    )
    made.setStyle(
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
    return made


def picture(sha256: str | None, record: str | None, photo_of: PhotoOf | None) -> Flowable | None:
    """Return a small photo, None where there never was one, or words where it is gone."""
    from PIL import Image as Picture
    from reportlab.lib.units import mm
    from reportlab.platypus import Image

    if sha256 is None or photo_of is None:
        return None
    data = photo_of(sha256, record)
    if data is None:
        return text("photo lost", "small")
    with Picture.open(io.BytesIO(data), formats=["JPEG", "PNG"]) as opened:
        across, down = opened.size
    scale = PHOTO_MM * mm / max(across, down)
    return Image(io.BytesIO(data), width=across * scale, height=down * scale)


def _foot(title: str) -> Callable[[Canvas, BaseDocTemplate], None]:
    def draw(canvas: Canvas, document: BaseDocTemplate) -> None:
        canvas.saveState()
        canvas.setFont(REGULAR, 7.5)
        canvas.setFillColor(_RULE)
        canvas.drawString(
            document.leftMargin + FRAME_PADDING,
            20,
            f"{plain(title, markup=False)}, page {canvas.getPageNumber()}",
        )
        canvas.restoreState()

    return draw


def table_of(
    rows: list[list[Any]], widths: list[float], *, right: tuple[int, ...], last_bold: bool
) -> Flowable:
    """Return a table with a head, figures in the ``right`` columns, the last row a sum."""
    from reportlab.platypus import Table, TableStyle

    made = Table(rows, colWidths=widths, repeatRows=1)
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
    made.setStyle(TableStyle(style))
    return made


def text(words: str, look: str = "text") -> Flowable:
    """Return a paragraph: ``title``, ``heading``, ``text``, ``small`` or ``cell``.

    ``words`` may hold ``<b>``; what a person typed goes through :func:`plain` first.
    """
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


def space(points: float) -> Flowable:
    """Return some room."""
    from reportlab.platypus import Spacer

    return Spacer(1, points)


def plain(words: str, *, markup: bool = True) -> str:
    """Return a person's words as words: no markup, and only letters that the font has."""
    kept = "".join(c if _has_letter(c) else "?" for c in words)
    return escape(kept) if markup else kept


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
