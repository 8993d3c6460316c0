"""The result of a test on paper."""

from __future__ import annotations

import io
from collections.abc import Mapping
from html import escape

from app.practice.store import PracticeTest, Progress
from app.web.practice.view import kappa_words, mixed_up, share_words


def result_pdf(
    test: PracticeTest, progress: Progress, *, name: str, titles: Mapping[str, str]
) -> bytes:
    """Return the result of a finished test as an A4 PDF.

    Holds the helper's name, the date, share right and agreement with their intervals,
    the table of truth against answer, and every card's answer.
    """
    from reportlab.lib import colors
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.styles import getSampleStyleSheet
    from reportlab.lib.units import mm
    from reportlab.platypus import Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

    file = io.BytesIO()
    paper = SimpleDocTemplate(
        file,
        pagesize=A4,
        leftMargin=20 * mm,
        rightMargin=20 * mm,
        topMargin=18 * mm,
        bottomMargin=18 * mm,
        title="Test of grading copper by eye",
        author="Cuproscope",
    )
    style = getSampleStyleSheet()
    lines = TableStyle(
        [
            ("GRID", (0, 0), (-1, -1), 0.4, colors.HexColor("#8a857c")),
            ("BACKGROUND", (0, 0), (-1, 0), colors.HexColor("#ece8df")),
            ("FONTSIZE", (0, 0), (-1, -1), 9),
        ]
    )
    table = progress.confusion
    grades = [titles.get(grade, grade) for grade in table.grades]
    confusion = [["Truth / named", *grades]]
    for grade, row in zip(grades, table.counts, strict=True):
        confusion.append([grade, *map(str, row)])
    cards = [["", "Shows", "Truth", "Named", ""]]
    for number, told in enumerate(test.answers, start=1):
        truth, named = titles.get(told.truth, told.truth), titles.get(told.answered, told.answered)
        cards.append(
            [str(number), str(told.topic), truth, named, "right" if told.is_right else "wrong"]
        )
    parts = [
        Paragraph("Test of grading copper by eye", style["Title"]),
        Paragraph(f"Helper: <b>{escape(_printable(name))}</b>", style["Normal"]),
        Paragraph(
            f"Date: {test.begun_utc.astimezone():%d %b %Y, %H:%M}; {len(test.card_keys)} cards, "
            "the same for everybody, no help while answering",
            style["Normal"],
        ),
        Spacer(1, 5 * mm),
        Paragraph(f"Grades right: <b>{escape(share_words(progress.right))}</b>", style["Normal"]),
        Paragraph(f"Better than guessing: {escape(kappa_words(progress.kappa))}", style["Normal"]),
        Paragraph(escape(mixed_up(table, titles)), style["Normal"]),
        Spacer(1, 5 * mm),
        Table(confusion, style=lines, hAlign="LEFT"),
        Spacer(1, 5 * mm),
        Table(cards, style=lines, hAlign="LEFT", repeatRows=1),
        Spacer(1, 12 * mm),
        Paragraph("Seen by: ______________________________", style["Normal"]),
    ]
    paper.build(parts)
    return file.getvalue()


def _printable(text: str) -> str:
    """Return text in the letters that the standard PDF fonts have (Latin-1)."""
    return text.encode("latin-1", "replace").decode("latin-1")
