"""The photo with everything that was found on it: outlines, grades, widths, what was left out.

Nothing is told by colour alone: every mark carries its word. The photo keeps its own colours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from rules.findings import Form, What
from rules.reasons import SURE_P
from vision.photo.reduced import reduced
from vision.picture.labels import SIZE, Label, Labels
from vision.picture.lines import corners_of, dashed, dotted, line, onto, widths
from vision.picture.tones import (
    BRASS,
    CUT,
    LEFT_OUT,
    REFERENCE,
    SOLDER,
    UNSURE,
    WHITE,
    of_rank,
)
from vision.reference.references import reference_name
from vision.types import Examination, FloatArray, Image, PieceReading, Why

LONG_SIDE_PX = 1600
"""The photo is shown at most this long: readable on a phone, small enough to send."""

PHONE_LABEL_SHARE = 1 / 40
"""Labels of a picture that a phone shows from edge to edge, as a share of its width: a phone
is some 360 points wide, and letters of 9 points can be read at arm's length."""

MOST_SIZED = 3
"""With more pieces on a photo their sizes stand in the list, not on the picture."""

LEFT_OUT_WORDS = {Why.STRANGER: "left out: not copper?", Why.SHORT: "left out: short"}

LETTERS_OFF_PX = 6
"""So far the words stay off the line of a cut; by eye."""

_MIN_SIDE_PX = 700
"""Least side of the picture, px; by eye."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tag:
    """What a piece wears on the photo, beside its number.

    Attributes:
        words: Its grade.
        rank: Where the grade stands, 0 the best; None where nobody says.
        is_unsure: Whether a check would settle it.
    """

    words: str
    rank: int | None = None
    is_unsure: bool = False


def draw_marks(
    examination: Examination,
    *,
    long_side_px: int = LONG_SIDE_PX,
    tags: Sequence[Tag] = (),
    cuts_px: Sequence[FloatArray] = (),
    for_phone: bool = True,
) -> Image:
    """Return the photo with everything that was found, without a panel of words.

    Args:
        examination: What was found.
        long_side_px: The photo is shown at most this long; at least 700 px it is always.
        tags: What each of several pieces wears, in their order; none: its number alone.
        cuts_px: Where to cut, each ``(2, 2)``: a line's ends, in photo pixels.
        for_phone: Whether its labels must be read on a phone that shows it from edge to edge.

    Returns:
        ``(height, width, 3)`` uint8, RGB.
    """
    canvas, factor = shown(examination.photo.rgb, long_side_px)
    height, width = canvas.shape[:2]
    labels = Labels(width, height, phone_label_px(width) if for_phone else SIZE)
    _mark_reference(canvas, examination, factor, labels)
    pieces = examination.pieces
    for reading in pieces:
        labels.avoid(onto(reading.region.outline_px, factor))
    many = len(pieces) > 1
    for number, reading in enumerate(pieces, start=1):
        tag = tags[number - 1] if many and len(tags) == len(pieces) else Tag(words="")
        _mark_piece(canvas, reading, factor, labels, tag=tag, number=number if many else None)
    for reading in pieces:
        _mark_parts(canvas, reading, factor, labels, sized=len(pieces) <= MOST_SIZED)
    for ends in cuts_px:
        _mark_cut(canvas, onto(ends, factor), labels)
    for seen in examination.left_out:
        outline = onto(seen.outline_px, factor)
        dotted(canvas, outline, LEFT_OUT)
        words = LEFT_OUT_WORDS[seen.why]
        labels.want(Label(text=words, of=outline, tone=LEFT_OUT, optional=True))
    return labels.drawn(canvas)


def phone_label_px(width_px: int) -> int:
    """Return how high letters must be in a picture so wide to be read on a phone."""
    return max(SIZE, round(PHONE_LABEL_SHARE * width_px))


def shown(rgb: Image, long_side_px: int) -> tuple[Image, float]:
    """Return a photo at its shown size, to be drawn on, and photo pixels per shown pixel."""
    height, width = rgb.shape[:2]
    if max(height, width) >= _MIN_SIDE_PX:
        small, factor = reduced(rgb, long_side_px)
        return np.array(small, order="C"), factor
    factor = max(height, width) / _MIN_SIDE_PX  # room for the words
    size = (max(1, round(width / factor)), max(1, round(height / factor)))
    large = cv2.resize(rgb, size, interpolation=cv2.INTER_CUBIC)
    return np.ascontiguousarray(large, dtype=np.uint8), factor


def _mark_reference(canvas: Image, examination: Examination, factor: float, labels: Labels) -> None:
    scale = examination.scale
    if scale is None or not scale.outlines_px:
        return
    outlines = [onto(outline, factor) for outline in scale.outlines_px]
    for outline in outlines:
        dashed(canvas, outline, REFERENCE)
    words = f"reference: {reference_name(scale.reference)}"
    labels.want(Label(text=words, of=outlines[0], tone=REFERENCE, within=True))


def _mark_piece(
    canvas: Image,
    reading: PieceReading,
    factor: float,
    labels: Labels,
    *,
    tag: Tag,
    number: int | None,
) -> None:
    """Draw a piece's outline, and its number and grade where there are several."""
    outline = onto(reading.region.outline_px, factor)
    tone, sign = (WHITE, "") if tag.rank is None else of_rank(tag.rank)
    if tag.is_unsure:
        tone, sign = UNSURE, ""
        dashed(canvas, outline, tone)
    else:
        line(canvas, outline, tone, closed=True)
    if number is not None:
        mark = "? " if tag.is_unsure else ""
        words = f"{number}  {mark}{tag.words}".rstrip()
        labels.want(Label(text=words, of=outline, tone=tone, sign=sign))


def _mark_parts(
    canvas: Image, reading: PieceReading, factor: float, labels: Labels, *, sized: bool
) -> None:
    """Draw what was seen on a piece and where it was measured."""
    for what, tone in ((What.BRASS, BRASS), (What.SOLDER, SOLDER)):
        sure = reading.findings.p_of(what) >= SURE_P
        for box in reading.boxes_px.get(what, ()):
            corners = corners_of(box, factor)
            line(canvas, corners, tone, closed=True)
            labels.avoid(corners)
            words = str(what) if sure else f"{what}?"
            labels.want(Label(text=words, of=corners, tone=tone, optional=not sized))
    if not sized:
        return
    widths(canvas, reading.measured_lines_px, factor)
    size = _size(reading)
    if size is not None and len(reading.measured_lines_px):
        middle = reading.measured_lines_px[len(reading.measured_lines_px) // 2]
        labels.want(Label(text=size, of=_long(onto(middle, factor)), tone=WHITE))


def _mark_cut(canvas: Image, ends: FloatArray, labels: Labels) -> None:
    """Draw a dashed line and the words "cut here", which stand clear of it."""
    dashed(canvas, ends, CUT, closed=False, width_px=4)
    low, high = ends.min(axis=0) - LETTERS_OFF_PX, ends.max(axis=0) + LETTERS_OFF_PX
    labels.avoid(np.array([low, [high[0], low[1]], high, [low[0], high[1]]]))
    labels.want(Label(text="cut here", of=_long(ends), tone=CUT))


def _long(ends: FloatArray) -> FloatArray:
    """Return a line's ends as an outline."""
    return np.concatenate([ends, ends[::-1]])


def _size(reading: PieceReading) -> str | None:
    findings = reading.findings
    if findings.form.value is Form.STRANDED and findings.strand_diameter is not None:
        return f"strand {findings.strand_diameter.value:.2f} mm"
    if findings.diameter is not None:
        return f"{findings.diameter.value:.2f} mm"
    return None
