"""The panel of words beside a marked photo: the grades, then what stood in the way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image as PillowImage
from PIL import ImageDraw

from vision.picture.tones import BAR, BAR_GROUND, INK, PAPER, RULE, SOFT_INK
from vision.picture.writing import Line, block, font_of, writable
from vision.problems import in_words
from vision.types import Image, Problem

MOST_IN_FULL = 4
"""With more pieces each has a line or two, those that need a check first."""

_PAD, _GAP = 28, 14
"""Margins, px; by eye."""


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


def draw_panel(
    captions: Sequence[Caption],
    problems: Sequence[Problem],
    *,
    width: int,
    least_height: int,
    columns: int,
    is_unmeasured: bool,
) -> Image:
    """Return the panel: a block for each piece, then what stood in the way.

    Args:
        captions: What to write of each piece, in the order of their numbers.
        problems: What stood in the way.
        width: Of the panel, px.
        least_height: It is made at least so high, px.
        columns: So many side by side.
        is_unmeasured: Whether nothing was measured: then the problems come first.
    """
    if len(captions) + bool(problems) < 2:
        columns = 1
    column = (width - 2 * _PAD - (columns - 1) * 2 * _PAD) // columns
    blocks = _piece_blocks(captions, column)
    if problems:
        # What keeps all pieces from being measured is said before what was seen of them.
        heading = "What to do better" if captions else "What stood in the way"
        told = _problem_block(problems, heading, column)
        blocks.insert(0 if is_unmeasured else len(blocks), told)
    stacks = _stacked(blocks, columns)
    heights = [sum(one.shape[0] + _GAP + _PAD for one in stack) for stack in stacks]
    panel = np.full((max(max(heights) + _PAD, least_height), width, 3), PAPER, np.uint8)
    for number, stack in enumerate(stacks):
        left, top = _PAD + number * (column + 2 * _PAD), _PAD
        for position, one in enumerate(stack):
            if position:
                panel[top - _PAD // 2 - 1 : top - _PAD // 2, left : left + column] = RULE
            panel[top : top + one.shape[0], left : left + column] = one
            top += one.shape[0] + _GAP + _PAD
    return panel


def _stacked(blocks: Sequence[Image], columns: int) -> list[list[Image]]:
    """Return the blocks in columns, each read down before the next, about equally high."""
    total = sum(one.shape[0] + _GAP + _PAD for one in blocks)
    stacks: list[list[Image]] = [[] for _ in range(columns)]
    top = 0
    for one in blocks:
        height = one.shape[0] + _GAP + _PAD
        stacks[min(columns - 1, int(columns * (top + height / 2) / total))].append(one)
        top += height
    return stacks


def _problem_block(problems: Sequence[Problem], heading: str, width: int) -> Image:
    lines: list[Line] = [(heading, 24, INK)]
    for problem in problems:
        lines += [(in_words(problem), 21, INK), (problem.fix, 21, SOFT_INK)]
    return block(lines, width)


def _piece_blocks(captions: Sequence[Caption], width: int) -> list[Image]:
    """Return a block a piece, or short ones with those that need a check first."""
    if not captions:
        return [block([("No grade", 34, INK)], width)]
    if len(captions) == 1:
        return [_in_full(captions[0], captions[0].title, width)]
    numbered = list(enumerate(captions, start=1))
    if len(captions) <= MOST_IN_FULL:
        return [_in_full(one, f"{number}.  {one.title}", width) for number, one in numbered]
    order = doubt_first([(one.is_unsure, one.confidence) for one in captions])
    heading = heading_of(sum(one.is_unsure for one in captions), len(captions))
    return [
        block([(heading, 34, INK)], width),
        *(_in_short(captions[index], index + 1, width) for index in order),
    ]


def doubt_first(told: Sequence[tuple[bool, float]]) -> list[int]:
    """Return the pieces' indices: those that need a check first, the worst doubt before all.

    Args:
        told: Of each piece whether a check would settle it, and its confidence.

    >>> doubt_first([(False, 0.99), (True, 0.6), (True, 0.5)])
    [2, 1, 0]
    """
    return sorted(range(len(told)), key=lambda index: (not told[index][0], told[index][1]))


def heading_of(unsure: int, pieces: int) -> str:
    """Return how many of the pieces need a check, or how many there are.

    >>> heading_of(2, 7), heading_of(0, 7)
    ('2 of 7 need a check', '7 pieces')
    """
    return f"{unsure} of {pieces} need a check" if unsure else f"{pieces} pieces"


def _in_short(caption: Caption, number: int, width: int) -> Image:
    sign = "? " if caption.is_unsure else ""
    head = f"{number}.  {sign}{caption.title}, {caption.certainty}"
    return block([(head, 24, INK), *((line, 20, SOFT_INK) for line in caption.lines)], width)


def _in_full(caption: Caption, title: str, width: int) -> Image:
    head = block([(title, 38, INK)], width)
    rest = block([(line, 21, INK) for line in caption.lines], width)
    return np.concatenate([head, _bar(caption, width), rest], axis=0)


def _bar(caption: Caption, width: int) -> Image:
    """Return the confidence as a bar, its figure beside it."""
    font = font_of(22)
    words = writable(caption.certainty)
    picture = PillowImage.new("RGB", (width, 50), PAPER)
    pen = ImageDraw.Draw(picture)
    room = int(min(360, width - font.getlength(words) - 24))
    if room > 60:
        pen.rounded_rectangle((0, 10, room, 28), radius=9, fill=BAR_GROUND)
        filled = max(18, round(room * min(max(caption.confidence, 0.0), 1.0)))
        pen.rounded_rectangle((0, 10, filled, 28), radius=9, fill=BAR)
    else:
        room = -18
    pen.text((room + 18, 19), words, font=font, fill=INK, anchor="lm")
    return np.asarray(picture)
