"""A tarnish level with its doubt, on a bar of reference surfaces."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

from PIL import Image, ImageDraw, ImageFont

from vision.finish.tarnish_scale import green_bar, tarnish_bar

WIDTH, BAR = 800, 140
"""Narrow, so that its words can be read on a phone, where it is shown at half of that."""

_GREEN, _GAP, _PAD = 110, 18, 12
_PAPER, _INK, _SOFT = (247, 245, 240), (34, 34, 38), (96, 94, 98)
_BLUE, _RED = (47, 88, 127), (140, 60, 30)
_TEXT = 30
_LONGEST = 28

NAMES = ((0.0, "fresh"), (0.25, "light"), (0.5, "dull"), (0.78, "dark"), (1.0, "black"))
"""Words under the bar; the levels are those of the house sheet's remarks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One thing to show on the bar.

    Attributes:
        name: What it is called beside its mark.
        value: Level, 0 to 1.
        low: Lower end of its 95 % interval; None for a single mark.
        high: Upper end.
    """

    name: str
    value: float
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """A limit on the bar: up to there a grade is paid.

    Attributes:
        name: What it is a limit of, and whose.
        value: Level, 0 to 1.
        low: Lower end of its 95 % interval, where it was learned.
        high: Upper end.
    """

    name: str
    value: float
    low: float | None = None
    high: float | None = None


@cache
def tarnish_picture(marks: tuple[Mark, ...], cuts: tuple[Cut, ...]) -> bytes:
    """Return the bar with all marks above it and all limits across it, as a JPEG file.

    Each mark has a line of its own above the bar, with its interval as a beam; limits
    are dashed lines through the bar, named below it.
    """
    line = _TEXT + 30
    top = _PAD + line * len(marks)
    bottom = top + BAR
    height = bottom + line + (line - 14) * len(cuts) + _PAD
    picture = Image.new("RGB", (WIDTH, height), _PAPER)
    inner = WIDTH - 2 * _PAD - _GREEN - _GAP
    picture.paste(Image.fromarray(tarnish_bar(inner, BAR)), (_PAD, top))
    picture.paste(Image.fromarray(green_bar(_GREEN, BAR)), (_PAD + inner + _GAP, top))
    pen = ImageDraw.Draw(picture)
    font = ImageFont.load_default(size=_TEXT)
    assert isinstance(font, ImageFont.FreeTypeFont), "Pillow was built without FreeType"

    def x_of(level: float) -> float:
        return _PAD + min(max(level, 0.0), 1.0) * (inner - 1)

    heights = [_PAD + line * number + line / 2 for number in range(len(marks))]
    for mark, y in zip(marks, heights, strict=True):  # before the words, which stay legible
        _pointer(pen, x_of(mark.value), y=y, top=top)
    for mark, y in zip(marks, heights, strict=True):
        _mark(pen, mark, x_of, y=y, font=font)
    for level, name in NAMES:
        anchor = "la" if level == 0 else "ra" if level == 1 else "ma"
        pen.text((x_of(level), bottom + 8), name, font=font, fill=_SOFT, anchor=anchor)
    green_at = (_PAD + inner + _GAP + _GREEN / 2, bottom + 8)
    pen.text(green_at, "green", font=font, fill=_SOFT, anchor="ma")
    for number, cut in enumerate(cuts):
        y = bottom + line + (line - 14) * number + 4
        _cut(pen, cut, x_of, top=top, bottom=bottom, y=y, font=font)
    file = io.BytesIO()
    picture.save(file, "JPEG", quality=90)
    return file.getvalue()


def alt_of(marks: Sequence[Mark], cuts: Sequence[Cut]) -> str:
    """Return the picture in words."""
    told = ["Strip of copper surfaces from fresh (0) to black (1)"]
    for mark in marks:
        doubt = "" if mark.low is None else f", between {mark.low:.2f} and {mark.high:.2f}"
        told.append(f"{mark.name} at {mark.value:.2f}{doubt}")
    told += [f"limit {cut.name} at {cut.value:.2f}" for cut in cuts]
    return "; ".join(told)


def _mark(
    pen: ImageDraw.ImageDraw,
    mark: Mark,
    x_of: Callable[[float], float],
    *,
    y: float,
    font: ImageFont.FreeTypeFont,
) -> None:
    x = x_of(mark.value)
    if mark.low is not None and mark.high is not None:
        left, right = x_of(mark.low), x_of(mark.high)
        pen.rounded_rectangle((left, y - 9, right, y + 9), radius=9, fill=_BLUE)
        for end in (left, right):
            pen.line((end, y - 16, end, y + 16), fill=_BLUE, width=4)
    else:
        left = right = x
    pen.ellipse((x - 12, y - 12, x + 12, y + 12), fill=_INK, outline="white", width=3)
    text = f"{mark.name} {mark.value:.2f}"
    length = font.getlength(text)
    at = (right + 26, y) if right + 30 + length < WIDTH - _PAD else (left - 26 - length, y)
    where = (max(at[0], _PAD), y)
    pen.rectangle(pen.textbbox(where, text, font=font, anchor="lm"), fill=_PAPER)
    pen.text(where, text, font=font, fill=_INK, anchor="lm")


def _pointer(pen: ImageDraw.ImageDraw, x: float, *, y: float, top: float) -> None:
    pen.line((x, y, x, top + 24), fill=_INK, width=3)
    pen.polygon([(x - 12, top + 4), (x + 12, top + 4), (x, top + 26)], fill=_INK, outline="white")


def _cut(
    pen: ImageDraw.ImageDraw,
    cut: Cut,
    x_of: Callable[[float], float],
    *,
    top: int,
    bottom: int,
    y: float,
    font: ImageFont.FreeTypeFont,
) -> None:
    x = x_of(cut.value)
    for start in range(top - 6, bottom + 6, 18):
        pen.line((x, start, x, start + 11), fill="white", width=7)
        pen.line((x, start, x, start + 11), fill=_RED, width=4)
    if cut.low is not None and cut.high is not None:
        pen.line((x_of(cut.low), bottom - 8, x_of(cut.high), bottom - 8), fill="white", width=9)
        pen.line((x_of(cut.low), bottom - 8, x_of(cut.high), bottom - 8), fill=_RED, width=5)
    left, text = named_at(x, f"{cut.name[:_LONGEST]}: up to {cut.value:.2f}", font)
    pen.text((left, y), text, font=font, fill=_RED, anchor="la")


def named_at(x: float, words: str, font: ImageFont.FreeTypeFont) -> tuple[float, str]:
    """Return where a limit's words begin, and the words with a stroke below the limit itself.

    They stand right of it, else left of it; without a stroke where there is room for neither.
    """
    after, before, alone = (font.getlength(one) for one in (f"| {words}", f"{words} |", words))
    half = font.getlength("|") / 2
    if x - half + after <= WIDTH - _PAD:
        return x - half, f"| {words}"
    if x + half - before >= _PAD:
        return x + half - before, f"{words} |"
    return min(max(_PAD, x - alone / 2), WIDTH - _PAD - alone), words
