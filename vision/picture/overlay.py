"""The answer drawn on the photo: what was found where, what was measured, what it means.

Nothing is told by colour alone: every mark carries its word. The photo keeps its own
colours; all writing that is longer than a label stands beside it, on a panel.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage
from PIL import ImageDraw, ImageFont

from rules.findings import Form, What
from vision.photo.reduced import reduced
from vision.problems import in_words
from vision.types import Examination, FloatArray, Image, PieceReading, Problem

LONG_SIDE_PX = 1600
"""The photo is shown at most this long: readable on a phone, small enough to send."""

MOST_WIDTHS = 9
"""More measured widths than this are thinned out, so that the metal stays in view."""

PANEL_WIDTH_PX = 620
TWO_COLUMNS_PX = 1000
MOST_OVERHANG = 1.15
"""A panel beside the photo may be this much longer than it; else it goes below."""

PHONE_LABEL_SHARE = 1 / 40
"""Labels of a picture that a phone shows from edge to edge, as a share of its width: a phone
is some 360 points wide, and letters of 9 points can be read at arm's length."""

SURE_P = 0.95
"""From here on brass or solder is named without a question mark, as the words beside it do."""

_PAD, _GAP, _MIN_SIDE_PX = 28, 14, 700
"""Margins of the panel and the least side of the picture, px; by eye."""

_PAPER = (247, 245, 240)
_INK = (34, 34, 38)
_SOFT_INK = (96, 94, 98)
_RULE = (214, 208, 198)
_BAR = (58, 92, 128)
_BAR_GROUND = (225, 221, 212)
_DARK = (24, 24, 28)
_WHITE = (255, 255, 255)
_BRASS = (255, 214, 92)
_SOLDER = (150, 214, 255)
_REFERENCE = (190, 240, 190)
_WIDTH = (255, 255, 255)
_UNSURE = (255, 176, 148)
"""Colours, by eye; what they mark is told in words as well."""

# Pillow's own font holds ASCII and these; anything else is written as its nearest.
_UNIT = re.compile(r"(?<=\d) (?=(?:mm|%|min|±)(?!\w))|(?<=±) (?=\d)")
_GLUE = "\N{NO-BREAK SPACE}"
_IN_FONT = "±°"
_NEAREST = {"–": "-", "—": "-", "×": "x", "≥": "at least", "’": "'", "“": '"', "”": '"', "µ": "u"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Caption:
    """What is written of one piece.

    Attributes:
        title: The grade in words.
        certainty: How sure it is, in words.
        confidence: The same as a number, 0 to 1, for the bar.
        lines: What else to say, the most important first.
        is_unsure: Whether a check would settle it; then it looks unsure on the photo too.
    """

    title: str
    certainty: str
    confidence: float
    lines: tuple[str, ...] = ()
    is_unsure: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Tag:
    """What a piece wears on the photo, beside its number.

    Attributes:
        words: Its grade.
        is_unsure: Whether a check would settle it.
    """

    words: str
    is_unsure: bool = False


class _Box(NamedTuple):
    left: float
    top: float
    right: float
    bottom: float

    def overlap(self, other: _Box) -> float:
        """Return the common area in square pixels."""
        width = min(self.right, other.right) - max(self.left, other.left)
        height = min(self.bottom, other.bottom) - max(self.top, other.top)
        return max(0.0, width) * max(0.0, height)


def draw_overlay(examination: Examination, captions: Sequence[Caption]) -> Image:
    """Return the photo with everything that was found, and a panel that says what it means.

    The panel stands to the right of an upright photo, and below a wide one or where
    there is much to say.

    Args:
        examination: What was found.
        captions: What to write of each piece, in the order of its pieces.

    Returns:
        ``(height, width, 3)`` uint8, RGB.
    """
    shown, factor = _shown(examination.photo.rgb, LONG_SIDE_PX)
    tags = [Tag(words=one.title, is_unsure=one.is_unsure) for one in captions]
    marked = _marked(shown, examination, factor, tags=tags)
    height, width = marked.shape[:2]
    blocks = (captions, examination.problems)
    bare = examination.scale is None
    if height >= width:
        panel = _panel(
            *blocks, width=PANEL_WIDTH_PX, least_height=height, columns=1, is_unmeasured=bare
        )
        if panel.shape[0] <= MOST_OVERHANG * height:
            below = np.full((panel.shape[0] - height, width, 3), _PAPER, np.uint8)
            return np.concatenate([np.concatenate([marked, below], axis=0), panel], axis=1)
    panel = _panel(
        *blocks,
        width=width,
        least_height=0,
        columns=2 if width >= TWO_COLUMNS_PX else 1,
        is_unmeasured=bare,
    )
    return np.concatenate([marked, panel], axis=0)


def draw_marks(
    examination: Examination, *, long_side_px: int = LONG_SIDE_PX, tags: Sequence[Tag] = ()
) -> Image:
    """Return the photo with everything that was found, without a panel of words.

    Its labels can be read on a phone that shows the whole picture from edge to edge.

    Args:
        examination: What was found.
        long_side_px: The photo is shown at most this long; at least 700 px it is always.
        tags: What each of several pieces wears, in their order; none: its number alone.

    Returns:
        ``(height, width, 3)`` uint8, RGB.
    """
    shown, factor = _shown(examination.photo.rgb, long_side_px)
    label_px = phone_label_px(shown.shape[1])
    return _marked(shown, examination, factor, label_px=label_px, tags=tags)


def phone_label_px(width_px: int) -> int:
    """Return how high letters must be in a picture so wide to be read on a phone."""
    return max(_Labels.SIZE, round(PHONE_LABEL_SHARE * width_px))


# ------------------------------------------------------------------ on the photo


def _shown(rgb: Image, long_side_px: int) -> tuple[Image, float]:
    """Return the photo at its shown size, to be drawn on, and photo pixels per shown pixel."""
    height, width = rgb.shape[:2]
    if max(height, width) >= _MIN_SIDE_PX:
        small, factor = reduced(rgb, long_side_px)
        return small.copy(), factor
    factor = max(height, width) / _MIN_SIDE_PX  # room for the words
    size = (max(1, round(width / factor)), max(1, round(height / factor)))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_CUBIC), dtype=np.uint8), factor


def _marked(
    shown: Image,
    examination: Examination,
    factor: float,
    *,
    label_px: int | None = None,
    tags: Sequence[Tag] = (),
) -> Image:
    canvas = np.ascontiguousarray(shown)
    labels = _Labels(canvas.shape[1], canvas.shape[0], label_px or _Labels.SIZE)
    scale = examination.scale
    if scale is not None:
        for outline in scale.outlines_px:
            _dashed(canvas, _onto(outline, factor), _REFERENCE)
        if scale.outlines_px:
            centre = _onto(scale.outlines_px[0], factor).mean(axis=0)
            labels.want(f"reference: {scale.reference}", centre, _REFERENCE, centred=True)
    many = len(examination.pieces) > 1
    for number, piece in enumerate(examination.pieces, start=1):
        outline = _onto(piece.region.outline_px, factor)
        tag = tags[number - 1] if many and len(tags) == len(examination.pieces) else Tag(words="")
        if tag.is_unsure:
            _dashed(canvas, outline, _UNSURE)
        else:
            _line(canvas, outline, _WHITE, closed=True)
        labels.avoid(outline)
        boxes = (
            (piece.boxes_px.get(What.BRASS, ()), _suspected(What.BRASS, piece), _BRASS),
            (piece.boxes_px.get(What.SOLDER, ()), _suspected(What.SOLDER, piece), _SOLDER),
        )
        for places, word, colour in boxes:
            for box in places:
                corners = _corners(box, factor)
                _line(canvas, corners, colour, closed=True)
                labels.avoid(corners)
                labels.want(word, (corners[0] + corners[1]) / 2, colour)
        _widths(canvas, piece, factor)
        if many:
            sign, colour = ("? ", _UNSURE) if tag.is_unsure else ("", _WHITE)
            words = f"{number}  {sign}{tag.words}".rstrip()
            labels.want(words, outline[np.argmin(outline[:, 1])], colour)
        size = _size(piece)
        if size is not None and len(piece.measured_lines_px):
            middle = piece.measured_lines_px[len(piece.measured_lines_px) // 2]
            labels.want(size, _onto(middle, factor)[1], _WIDTH)
    return labels.drawn(canvas)


def _suspected(what: What, piece: PieceReading) -> str:
    return str(what) if piece.findings.p_of(what) >= SURE_P else f"{what}?"


def _size(piece: PieceReading) -> str | None:
    findings = piece.findings
    if findings.form.value is Form.STRANDED and findings.strand_diameter is not None:
        return f"strand {findings.strand_diameter.value:.2f} mm"
    if findings.diameter is not None:
        return f"{findings.diameter.value:.2f} mm"
    return None


def _widths(canvas: Image, piece: PieceReading, factor: float) -> None:
    """Draw measured widths as bars with ticks at their ends."""
    lines = piece.measured_lines_px
    if not len(lines):
        return
    chosen = np.unique(np.linspace(0, len(lines) - 1, MOST_WIDTHS).round().astype(int))
    for line in lines[chosen]:
        ends = _onto(line, factor)
        along = ends[1] - ends[0]
        length = float(np.hypot(*along))
        if length < 1e-6:
            continue
        across = np.array([-along[1], along[0]]) / length * 5
        _line(canvas, ends, _WIDTH)
        for end in ends:
            _line(canvas, np.stack([end - across, end + across]), _WIDTH)


def _onto(points_px: FloatArray, factor: float) -> FloatArray:
    """Return photo points in shown pixels (pixel centres at whole numbers in both)."""
    return np.asarray((np.asarray(points_px, np.float64) + 0.5) / factor - 0.5)


def _corners(box_px: tuple[int, int, int, int], factor: float) -> FloatArray:
    x, y, w, h = box_px
    corners = [(x, y), (x + w - 1, y), (x + w - 1, y + h - 1), (x, y + h - 1)]
    return _onto(np.array(corners, np.float64), factor)


def _line(
    canvas: Image, points: FloatArray, colour: tuple[int, int, int], *, closed: bool = False
) -> None:
    """Draw a smooth line with a dark rim, which shows on any ground."""
    fixed = np.round(points * 16).astype(np.int32).reshape(-1, 1, 2)
    for shade, thickness in ((_DARK, 4), (colour, 2)):
        cv2.polylines(canvas, [fixed], closed, shade, thickness, cv2.LINE_AA, shift=4)


def _dashed(
    canvas: Image, points: FloatArray, colour: tuple[int, int, int], *, dash_px: float = 14.0
) -> None:
    """Draw a closed dashed line."""
    ring = np.concatenate([points, points[:1]])
    steps = np.hypot(*np.diff(ring, axis=0).T)
    way = np.concatenate([[0.0], np.cumsum(steps)])
    starts = np.arange(0.0, way[-1], 2 * dash_px)
    for start in starts:
        at = np.linspace(start, min(start + dash_px, way[-1]), 6)
        piece = np.column_stack([np.interp(at, way, ring[:, 0]), np.interp(at, way, ring[:, 1])])
        _line(canvas, piece, colour)


LED_FROM = 1.2
"""A label further from its piece than so many letters' heights is led to it by a line."""


class _Labels:
    """Short words on the photo, put where they cover neither each other nor the edge."""

    SIZE = 22

    def __init__(self, width: int, height: int, size: int = SIZE) -> None:
        self.size = size
        self.frame = _Box(4, 4, width - 4, height - 4)
        self.marks = np.zeros((height, width), np.uint8)
        self.wanted: list[tuple[str, FloatArray, tuple[int, int, int], bool]] = []

    def want(
        self,
        text: str,
        at: FloatArray,
        colour: tuple[int, int, int],
        *,
        centred: bool = False,
    ) -> None:
        """Ask for a label near a point (or on it)."""
        self.wanted.append((_writable(text), at, colour, centred))

    def avoid(self, outline: FloatArray) -> None:
        """Keep labels off what lies inside an outline, where there is room elsewhere."""
        cv2.fillPoly(self.marks, [np.round(outline).astype(np.int32)], (1,))

    def drawn(self, canvas: Image) -> Image:
        """Return the canvas with all labels."""
        picture = PillowImage.fromarray(canvas)
        pen = ImageDraw.Draw(picture)
        font = _font(self.size)
        placed: list[_Box] = []
        taken = np.asarray(cv2.integral(self.marks), dtype=np.int32)
        for text, at, colour, centred in self.wanted:
            width, height = font.getlength(text) + 18, self.size + 12
            box = self._place(at, width, height, placed, taken, centred=centred)
            placed.append(box)
            tip = _nearest(box, at)
            if not centred and float(np.hypot(*(tip - at))) > LED_FROM * self.size:
                pen.line([*map(float, at), *map(float, tip)], fill=_DARK, width=5)
                pen.line([*map(float, at), *map(float, tip)], fill=colour, width=2)
            pen.rounded_rectangle(box, radius=7, fill=_DARK)
            middle = ((box.left + box.right) / 2, (box.top + box.bottom) / 2)
            pen.text(middle, text, font=font, fill=colour, anchor="mm")
        return np.asarray(picture)

    def _place(
        self,
        at: FloatArray,
        width: float,
        height: float,
        placed: list[_Box],
        taken: NDArray[np.int32],
        *,
        centred: bool,
    ) -> _Box:
        x, y = float(at[0]), float(at[1])
        offsets = [(-width / 2, -height / 2)] if centred else []
        for away in (10.0, 40.0, 80.0, 130.0):
            offsets += [
                (-width / 2, -height - away),
                (-width / 2, away),
                (away, -height - away / 2),
                (away, away / 2),
                (-width - away, -height - away / 2),
                (-width - away, away / 2),
            ]
        best, least = None, float("inf")
        for order, (dx, dy) in enumerate(offsets):
            left = min(max(x + dx, self.frame.left), self.frame.right - width)
            top = min(max(y + dy, self.frame.top), self.frame.bottom - height)
            box = _Box(left, top, left + width, top + height)
            moved = abs(left - x - dx) + abs(top - y - dy)
            cost = 10 * sum(box.overlap(other) for other in placed) + 5 * moved + 2 * order
            cost += 0 if centred else 3 * _covered(taken, box)
            if cost < least:
                best, least = box, cost
        assert best is not None
        return best


def _nearest(box: _Box, at: FloatArray) -> FloatArray:
    """Return the point of a box that is nearest to another point."""
    return np.array([np.clip(at[0], box.left, box.right), np.clip(at[1], box.top, box.bottom)])


def _covered(taken: NDArray[np.int32], box: _Box) -> int:
    """Return how many marked pixels a box covers, by the integral image of the marks."""
    left, top, right, bottom = (max(0, int(v)) for v in box)
    height, width = taken.shape
    x0, x1, y0, y1 = (
        min(left, width - 1),
        min(right, width - 1),
        min(top, height - 1),
        min(bottom, height - 1),
    )
    return int(taken[y1, x1] - taken[y0, x1] - taken[y1, x0] + taken[y0, x0])


# ----------------------------------------------------------------- on the panel


def _panel(
    captions: Sequence[Caption],
    problems: Sequence[Problem],
    *,
    width: int,
    least_height: int,
    columns: int,
    is_unmeasured: bool,
) -> Image:
    """Return the panel: a block for each piece, then what stood in the way."""
    if len(captions) + bool(problems) < 2:
        columns = 1
    column = (width - 2 * _PAD - (columns - 1) * 2 * _PAD) // columns
    blocks = [
        _piece_block(caption, number if len(captions) > 1 else None, column)
        for number, caption in enumerate(captions, start=1)
    ]
    if not captions:
        blocks.append(_block([("No grade", 34, _INK)], column))
    if problems:
        lines: list[tuple[str, int, tuple[int, int, int]]] = [
            ("What to do better" if captions else "What stood in the way", 24, _INK)
        ]
        for problem in problems:
            lines += [(in_words(problem), 21, _INK), (problem.fix, 21, _SOFT_INK)]
        # What keeps all pieces from being measured is said before what was seen of them.
        blocks.insert(0 if is_unmeasured else len(blocks), _block(lines, column))
    stacks: list[list[Image]] = [[] for _ in range(columns)]
    heights = [0] * columns
    for block in blocks:
        shortest = heights.index(min(heights))
        stacks[shortest].append(block)
        heights[shortest] += block.shape[0] + _GAP + _PAD
    panel = np.full((max(max(heights) + _PAD, least_height), width, 3), _PAPER, np.uint8)
    for number, stack in enumerate(stacks):
        left, top = _PAD + number * (column + 2 * _PAD), _PAD
        for position, block in enumerate(stack):
            if position:
                panel[top - _PAD // 2 - 1 : top - _PAD // 2, left : left + column] = _RULE
            panel[top : top + block.shape[0], left : left + column] = block
            top += block.shape[0] + _GAP + _PAD // 2 + _PAD // 2
    return panel


def _piece_block(caption: Caption, number: int | None, width: int) -> Image:
    title = caption.title if number is None else f"{number}.  {caption.title}"
    head = _block([(title, 38, _INK)], width)
    bar = _bar(caption, width)
    rest = _block([(line, 21, _INK) for line in caption.lines], width)
    return np.concatenate([head, bar, rest], axis=0)


def _bar(caption: Caption, width: int) -> Image:
    """Return the confidence as a bar, its figure beside it."""
    font = _font(22)
    words = _writable(caption.certainty)
    picture = PillowImage.new("RGB", (width, 50), _PAPER)
    pen = ImageDraw.Draw(picture)
    room = int(min(360, width - font.getlength(words) - 24))
    if room > 60:
        pen.rounded_rectangle((0, 10, room, 28), radius=9, fill=_BAR_GROUND)
        filled = max(18, round(room * min(max(caption.confidence, 0.0), 1.0)))
        pen.rounded_rectangle((0, 10, filled, 28), radius=9, fill=_BAR)
    else:
        room = -18
    pen.text((room + 18, 19), words, font=font, fill=_INK, anchor="lm")
    return np.asarray(picture)


def _block(lines: Sequence[tuple[str, int, tuple[int, int, int]]], width: int) -> Image:
    """Return wrapped lines of ``(text, size, colour)`` on paper."""
    rows: list[tuple[str, int, tuple[int, int, int]]] = []
    for text, size, colour in lines:
        rows += [(row, size, colour) for row in _wrapped(text, size, width)]
        rows.append(("", 8, colour))
    height = sum(_line_height(size) for _, size, _ in rows)
    picture = PillowImage.new("RGB", (width, max(1, height)), _PAPER)
    pen = ImageDraw.Draw(picture)
    top = 0
    for text, size, colour in rows:
        pen.text((0, top), text, font=_font(size), fill=colour)
        top += _line_height(size)
    return np.asarray(picture)


def _line_height(size: int) -> int:
    return round(size * 1.36)


def _wrapped(text: str, size: int, width: int) -> list[str]:
    """Return rows no wider than told; a number and its unit stay on one row."""
    font, rows, row = _font(size), list[str](), ""
    for part in _UNIT.sub(_GLUE, " ".join(_writable(text).split())).split(" "):
        word = part.replace(_GLUE, " ")
        longer = f"{row} {word}".strip()
        if row and font.getlength(longer) > width:
            rows.append(row)
            row = word
        else:
            row = longer
        while font.getlength(row) > width and len(row) > 1:
            fits = max(
                (n for n in range(1, len(row)) if font.getlength(row[:n]) <= width), default=1
            )
            rows.append(row[:fits])
            row = row[fits:]
    return [line for line in [*rows, row] if line]


@cache
def _font(size: int) -> ImageFont.FreeTypeFont:
    font = ImageFont.load_default(size=size)
    if not isinstance(font, ImageFont.FreeTypeFont):
        raise RuntimeError("Pillow was built without FreeType")
    return font


def _writable(text: str) -> str:
    """Return text that the font has letters for."""
    near = "".join(_NEAREST.get(c, c) for c in text)
    return "".join(c if (c.isascii() and c.isprintable()) or c in _IN_FONT else "?" for c in near)
