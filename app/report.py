"""Results for people to read: plain text, 80 columns, the grade first."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from app.exit_codes import PhotoOutcome
from app.grading import GradedPiece, Result
from app.how import TYPED, fix_with
from app.words import (
    absent_words,
    assumed_words,
    confidence_words,
    finish_words,
    form_words,
    grade_words,
    seen_words,
    size_words,
    told_reasons,
)
from rules.cautions import SELLING
from rules.sentences import sentence
from rules.sheet import RuleSheet
from vision.problems import in_words
from vision.reference.references import reference_name

if TYPE_CHECKING:
    from vision.types import Examination, PieceReading

COLUMNS = 80
MOST_REASONS = 2
"""More are only told in the JSON: the first two say between which grades it stands."""

MOST_IN_FULL = 3
"""With more pieces on a photo each has one line."""

_LABEL = 11
_PLACES = (("upper", "middle", "lower"), ("left", "centre", "right"))


def as_text(result: Result, sheet: RuleSheet, *, details: bool = False) -> str:
    """Return the report of one photo, ending with one line feed.

    Args:
        result: What was graded.
        sheet: The rules it was graded by.
        details: Tell each of many pieces in full, not in one line.
    """
    lines = [printable(result.name), "-" * min(COLUMNS, max(8, len(printable(result.name))))]
    in_short = len(result.pieces) > MOST_IN_FULL and not details
    lines += _in_short(result, sheet) if in_short else []
    for number, piece in enumerate(() if in_short else result.pieces, start=1):
        if len(result.pieces) > 1 or piece.name:
            which = f"Piece {number} of {len(result.pieces)}{_place(piece, result)}"
            lines += ["", which + (f": {printable(piece.name)}" if piece.name else "")]
        lines += _piece(piece, sheet)
    if result.outcome is PhotoOutcome.UNREADABLE:
        lines.append("Not read.")
    elif not result.pieces:
        lines.append("No grade.")
    if len(result.pieces) > 1:
        lines.append("")
    lines += _scale(result)
    lines += _wrapped("note", result.notes)
    for problem in result.problems:
        lines += _wrapped("problem", [in_words(problem)])
        lines += _wrapped("what to do", [fix_with(problem, TYPED)])
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _in_short(result: Result, sheet: RuleSheet) -> list[str]:
    """Return a line a piece, what needs a check before them."""
    unsure = [n for n, one in enumerate(result.pieces, start=1) if one.grading.settle]
    count = len(result.pieces)
    lines = [f"{len(unsure)} of {count} need a check: {', '.join(map(str, unsure))}"]
    lines = textwrap.wrap(lines[0], COLUMNS) if unsure else [f"{count} pieces"]
    for number, piece in enumerate(result.pieces, start=1):
        told = f"{grade_words(piece.grading, sheet)} ({confidence_words(piece.grading)})"
        size = size_words(piece.findings)
        told += f", {form_words(piece.findings)}" + (f" {size}" if size else "")
        told += _place(piece, result)
        sign = "?" if piece.grading.settle else " "
        head = f"{sign}{number:>3}  "
        lines += textwrap.wrap(
            printable(told), COLUMNS, initial_indent=head, subsequent_indent=" " * len(head)
        )
    return [*lines, "All that is known of each: --details"]


def cautions_text(results: Iterable[Result]) -> str:
    """Return the cautions of all photos, each once; empty where none applies."""
    told = list(dict.fromkeys(text for result in results for text in result.cautions))
    lines = ["Mind", "----"]
    for text in sorted(told, key=lambda one: one == SELLING):
        lines += textwrap.wrap(text, COLUMNS, initial_indent="* ", subsequent_indent="  ")
    return "\n".join(lines) + "\n" if told else ""


def printable(text: str) -> str:
    """Return text that can't move the cursor or colour the terminal of whoever reads it."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def _piece(piece: GradedPiece, sheet: RuleSheet) -> list[str]:
    findings, grading = piece.findings, piece.grading
    lines = _wrapped("grade", [f"{grade_words(grading, sheet)} ({confidence_words(grading)})"])
    lines += _wrapped("check", [sentence(grading.settle)] if grading.settle else [])
    lines += _wrapped("because", list(map(sentence, told_reasons(grading, sheet)))[:MOST_REASONS])
    lines += _wrapped(
        "lift",
        [
            f"{sentence(lift.action)} Then: {sheet.title_of(lift.to)} (about {lift.minutes:g} min)."
            for lift in grading.lifts
        ],
    )
    lines += _wrapped("form", [form_words(findings)])
    lines += _wrapped("size", _given(size_words(findings)))
    lines += _wrapped("finish", _given(finish_words(findings)))
    lines += _wrapped("on it", (*seen_words(findings), *_given(absent_words(findings))))
    lines += _wrapped("assumed", _given(assumed_words(grading, findings)))
    if piece.reading is not None:
        lines += _wrapped("note", piece.reading.notes)
    return lines


def _scale(result: Result) -> list[str]:
    if result.examination is None:
        return []
    scale = result.examination.scale
    if scale is None:
        return _wrapped("scale", ["none found, so nothing was measured in mm"])
    return _wrapped(
        "scale",
        [
            f"{reference_name(scale.reference)}: {1 / scale.mm_per_px:.1f} px per mm, good to "
            f"{200 * scale.u_rel:.1f} %, tilt {scale.tilt_deg:.0f}°"
        ],
    )


def _place(piece: GradedPiece, result: Result) -> str:
    """Return where on the photo a piece is, so that it can be told from the others."""
    if piece.reading is None or result.examination is None:
        return ""
    place = _ninth(piece.reading, result.examination)
    beside = [
        one.reading
        for one in result.pieces
        if one.reading is not None and _ninth(one.reading, result.examination) == place
    ]
    return f", {place}{_among(piece.reading, beside)}"


def _ninth(reading: PieceReading, examination: Examination) -> str:
    """Return in which ninth of the photo the middle of a piece is."""
    x, y = _middle(reading)
    row = _PLACES[0][min(2, int(3 * y / examination.photo.height_px))]
    column = _PLACES[1][min(2, int(3 * x / examination.photo.width_px))]
    return f"{row} {column}"


def _among(reading: PieceReading, beside: Sequence[PieceReading]) -> str:
    """Return which of the pieces in one ninth it is; nothing where it is the only one."""
    if len(beside) < 2:
        return ""
    middles = [_middle(one) for one in beside]
    spreads = [max(way) - min(way) for way in zip(*middles, strict=True)]
    axis = 0 if spreads[0] >= spreads[1] else 1
    here = _middle(reading)[axis]
    rank = 1 + sum(middle[axis] < here for middle in middles)
    return f", {_ordinal(rank)} from {('the left', 'the top')[axis]}"


def _ordinal(rank: int) -> str:
    """Return a rank as it is counted aloud: 'no. 2' would read as the grade."""
    ending = {1: "st", 2: "nd", 3: "rd"}.get(0 if rank in (11, 12, 13) else rank % 10, "th")
    return f"{rank}{ending}"


def _middle(reading: PieceReading) -> tuple[float, float]:
    x, y, w, h = reading.region.box_px
    return x + w / 2, y + h / 2


def _given(words: str | None) -> list[str]:
    return [] if words is None else [words]


def _wrapped(label: str, texts: Iterable[str]) -> list[str]:
    """Return texts under one label, wrapped to the width, continued with a hanging indent."""
    lines: list[str] = []
    for text in texts:
        head = f"{label:<{_LABEL}}" if not lines else " " * _LABEL
        lines += textwrap.wrap(
            printable(text),
            COLUMNS,
            initial_indent=head,
            subsequent_indent=" " * _LABEL,
            break_long_words=True,
        )
    return lines
