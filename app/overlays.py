"""The overlay of one photo as a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from app.files import write_whole
from app.grading import GradedPiece, Result
from app.words import (
    confidence_words,
    finish_words,
    form_words,
    grade_words,
    seen_words,
    size_words,
)
from rules.sheet import RuleSheet

if TYPE_CHECKING:
    from vision.picture.overlay import Caption

JPEG_QUALITY = 90
MANY_PIECES = 4
"""With more pieces than this each is captioned in short."""


def write_overlay(path: Path, result: Result, sheet: RuleSheet) -> None:
    """Draw a photo's answer into a JPEG file, whole or not at all.

    Raises:
        OSError: The file can't be written.
    """
    from PIL import Image

    from vision.picture.overlay import draw_overlay

    if result.examination is None:
        raise ValueError("a photo that was not read has no overlay")
    drawn = draw_overlay(
        result.examination,
        [caption_of(p, sheet, short=len(result.pieces) > MANY_PIECES) for p in result.pieces],
    )
    picture = Image.fromarray(drawn)
    write_whole(path, lambda part: picture.save(part, "JPEG", quality=JPEG_QUALITY))


def caption_of(piece: GradedPiece, sheet: RuleSheet, *, short: bool = False) -> Caption:
    """Return what the overlay writes of a piece, the reason first; ``short`` in two lines."""
    from vision.picture.overlay import Caption

    findings, grading = piece.findings, piece.grading
    lines = [grading.reasons[0].text] if grading.reasons else []
    if grading.settle:
        lines.append(f"To settle it: {grading.settle}")
    size = size_words(findings)
    lines.append(form_words(findings) + (f", {size}" if size else ", size not measured"))
    finish = None if short else finish_words(findings)
    lines += [finish] if finish else []
    lines += seen_words(findings)
    for lift in grading.lifts[:1]:
        lines.append(f"Lift to {sheet.title_of(lift.to)}: {lift.action} ({lift.minutes:g} min)")
    if short:
        lines = lines[:2]
    lines = [line[:1].upper() + line[1:] for line in lines]
    return Caption(
        title=grade_words(grading, sheet),
        certainty=confidence_words(grading),
        confidence=grading.confidence,
        lines=tuple(lines),
        is_unsure=bool(grading.settle or grading.guess),
    )
