"""The overlay of one photo as a file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from app.files import write_whole
from app.grading import GradedPiece, Result
from app.words import (
    confidence_words,
    finish_words,
    form_words,
    grade_words,
    is_unsure,
    seen_words,
    size_words,
    told_reasons,
)
from rules.sheet import RuleSheet

if TYPE_CHECKING:
    from vision.picture.marks import Tag
    from vision.picture.panel import Caption
    from vision.types import Examination, Image

JPEG_QUALITY = 90


def write_overlay(path: Path, result: Result, sheet: RuleSheet) -> None:
    """Draw a photo's answer into a JPEG file, whole or not at all.

    Raises:
        OSError: The file can't be written.
    """
    from PIL import Image as PillowImage

    picture = PillowImage.fromarray(drawn(result, sheet))
    write_whole(path, lambda part: picture.save(part, "JPEG", quality=JPEG_QUALITY))


def drawn(result: Result, sheet: RuleSheet) -> Image:
    """Return a photo's answer as a picture, ``(height, width, 3)`` uint8, RGB."""
    from vision.picture.overlay import draw_overlay
    from vision.picture.panel import MOST_IN_FULL

    if result.examination is None:
        raise ValueError("a photo that was not read has no overlay")
    short = len(result.pieces) > MOST_IN_FULL
    captions = [caption_of(piece, sheet, short=short) for piece in result.pieces]
    whole = draw_overlay(result.examination, captions, tags=tags_of(result.pieces, sheet))
    return _with_pairs(whole, result.examination)


def _with_pairs(whole: Image, examination: Examination) -> Image:
    """Return an overlay and, below it, each piece in both photos where there are two."""
    import cv2
    import numpy as np

    from vision.picture.side_by_side import looks_of, side_by_side
    from vision.picture.tones import PAPER

    found = [looks_of(examination, number) for number in range(len(examination.pieces))]
    rows = [whole]
    for looks in filter(None, found):
        pair = side_by_side(*looks)
        height, width = pair.shape[:2]
        size = (whole.shape[1], round(height * whole.shape[1] / width))
        if width > whole.shape[1]:
            pair = np.asarray(cv2.resize(pair, size, interpolation=cv2.INTER_AREA), np.uint8)
        row = np.full((len(pair), whole.shape[1], 3), PAPER, np.uint8)
        row[:, : pair.shape[1]] = pair
        rows.append(row)
    return np.concatenate(rows)


def tags_of(pieces: Sequence[GradedPiece], sheet: RuleSheet) -> list[Tag]:
    """Return what each piece wears on the photo: the grade that is likeliest, in short."""
    from vision.picture.marks import Tag

    ids = list(sheet.grade_ids)
    likeliest = [max(ids, key=lambda grade: one.grading.p.get(grade, 0.0)) for one in pieces]
    return [
        Tag(
            words=sheet.title_of(grade),
            rank=ids.index(grade),
            is_unsure=is_unsure(piece.grading),
        )
        for piece, grade in zip(pieces, likeliest, strict=True)
    ]


def caption_of(piece: GradedPiece, sheet: RuleSheet, *, short: bool = False) -> Caption:
    """Return what the overlay writes of a piece, the reason first; ``short``: in one line."""
    from vision.picture.panel import Caption

    findings, grading = piece.findings, piece.grading
    lines = list(told_reasons(grading, sheet)[:1])
    if grading.settle:  # what to do comes first where there is room for one line alone
        lines.insert(0 if short else 1, f"To settle it: {grading.settle}")
    size = size_words(findings)
    lines.append(form_words(findings) + (f", {size}" if size else ", size not measured"))
    finish = None if short else finish_words(findings)
    lines += [finish] if finish else []
    lines += seen_words(findings)
    for lift in grading.lifts[:1]:
        lines.append(f"Lift to {sheet.title_of(lift.to)}: {lift.action} ({lift.minutes:g} min)")
    if short:
        lines = lines[:1]
    lines = [line[:1].upper() + line[1:] for line in lines]
    return Caption(
        title=grade_words(grading, sheet),
        certainty=confidence_words(grading),
        confidence=grading.confidence,
        lines=tuple(lines),
        is_unsure=is_unsure(grading),
    )
