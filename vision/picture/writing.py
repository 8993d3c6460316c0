"""How are words written on a picture, in the font that Pillow brings along?"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from PIL import Image as PillowImage
from PIL import ImageDraw, ImageFont

from rules.sentences import with_units_kept
from vision.picture.tones import PAPER, Tone
from vision.types import Image

# Pillow's own font holds ASCII and these; anything else is written as its nearest.
_IN_FONT = "±°"
_NEAREST = {"–": "-", "—": "-", "×": "x", "≥": "at least", "’": "'", "“": '"', "”": '"', "µ": "u"}

Line = tuple[str, int, Tone]
"""Text, its size in px and its colour."""


def block(lines: Sequence[Line], width: int) -> Image:
    """Return wrapped lines of ``(text, size, colour)`` on paper."""
    rows: list[Line] = []
    for text, size, colour in lines:
        rows += [(row, size, colour) for row in wrapped(text, size, width)]
        rows.append(("", 8, colour))
    height = sum(line_height(size) for _, size, _ in rows)
    picture = PillowImage.new("RGB", (width, max(1, height)), PAPER)
    pen = ImageDraw.Draw(picture)
    top = 0
    for text, size, colour in rows:
        pen.text((0, top), text, font=font_of(size), fill=colour)
        top += line_height(size)
    return np.asarray(picture)


def line_height(size: int) -> int:
    """Return how high a row of letters of a size is, px."""
    return round(size * 1.36)


def wrapped(text: str, size: int, width: int) -> list[str]:
    """Return rows no wider than told; a number and its unit stay on one row."""
    font, rows, row = font_of(size), list[str](), ""
    for part in with_units_kept(" ".join(writable(text).split())).split(" "):
        word = part.replace("\N{NO-BREAK SPACE}", " ")
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
def font_of(size: int) -> ImageFont.FreeTypeFont:
    """Return the font in a size, px."""
    font = ImageFont.load_default(size=size)
    if not isinstance(font, ImageFont.FreeTypeFont):
        raise RuntimeError("Pillow was built without FreeType")
    return font


def writable(text: str) -> str:
    """Return text that the font has letters for."""
    near = "".join(_NEAREST.get(c, c) for c in text)
    return "".join(c if (c.isascii() and c.isprintable()) or c in _IN_FONT else "?" for c in near)
