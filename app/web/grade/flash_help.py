"""A drawn help in three steps: how the second photo, with the flash, is taken."""

from __future__ import annotations

import io
from functools import cache

from PIL import Image, ImageDraw, ImageFont

STEP_PX = (400, 520)
STEPS = ("Tap the bright spot", "Pull the sun down", "Flash on, same place")
ALT = (
    "Three small drawings. 1: a finger taps the bright spot of the piece on the phone's screen. "
    "2: the sun symbol beside it is pulled down, the picture gets darker. 3: the flash is on, "
    "the phone at the same place above the same piece."
)

_PAPER, _INK, _SOFT = (247, 245, 240), (34, 34, 38), (96, 94, 98)
_SCREEN, _DARK_SCREEN = (226, 220, 208), (96, 90, 84)
_COPPER, _SHINE, _DARK_COPPER = (186, 108, 66), (255, 236, 214), (104, 58, 36)
_HAND, _LIGHT = (240, 198, 170), (255, 204, 64)

Pen = ImageDraw.ImageDraw


@cache
def flash_help() -> bytes:
    """Return the three steps side by side, as a PNG file."""
    width, height = STEP_PX
    sheet = Image.new("RGB", (3 * width, height), _PAPER)
    pen = ImageDraw.Draw(sheet)
    for step, words in enumerate(STEPS):
        left = step * width
        _phone(pen, left, dark=step > 0)
        (_tap, _pull, _flash)[step](pen, left)
        pen.ellipse((left + 22, 22, left + 82, 82), fill=_INK)
        pen.text((left + 52, 52), str(step + 1), font=_font(38), fill="white", anchor="mm")
        pen.text((left + width / 2, height - 34), words, font=_font(34), fill=_INK, anchor="mm")
    file = io.BytesIO()
    sheet.quantize(96).save(file, "PNG", optimize=True)
    return file.getvalue()


def _font(size: int) -> ImageFont.ImageFont | ImageFont.FreeTypeFont:
    return ImageFont.load_default(size=size)


def _phone(pen: Pen, left: int, *, dark: bool) -> None:
    """Draw a phone with a piece on its screen, darker once the exposure is down."""
    pen.rounded_rectangle((left + 110, 40, left + 310, 430), radius=26, fill=_INK)
    screen = _DARK_SCREEN if dark else _SCREEN
    pen.rounded_rectangle((left + 122, 62, left + 298, 408), radius=12, fill=screen)
    ends = [(left + 150, 350), (left + 262, 130)]
    pen.line(ends, fill=_DARK_COPPER if dark else _COPPER, width=44)
    x, y = left + 206, 240
    size = 9 if dark else 17
    pen.ellipse((x - size, y - 2 * size, x + size, y + 2 * size), fill=_SHINE)


def _tap(pen: Pen, left: int) -> None:
    x, y = left + 206, 240
    for radius in (34, 48):
        pen.ellipse((x - radius, y - radius, x + radius, y + radius), outline=_INK, width=4)
    pen.line([(left + 352, 420), (x + 18, y + 22)], fill=_INK, width=52)
    pen.line([(left + 352, 420), (x + 18, y + 22)], fill=_HAND, width=44)
    pen.ellipse((x - 4, y, x + 40, y + 44), fill=_HAND, outline=_INK, width=4)


def _pull(pen: Pen, left: int) -> None:
    x = left + 280
    pen.line([(x, 110), (x, 360)], fill=_LIGHT, width=4)
    _sun(pen, x, 320)
    pen.line([(x - 40, 150), (x - 40, 290)], fill="white", width=8)
    pen.polygon([(x - 58, 280), (x - 22, 280), (x - 40, 316)], fill="white")


def _sun(pen: Pen, x: float, y: float) -> None:
    pen.ellipse((x - 12, y - 12, x + 12, y + 12), fill=_LIGHT, outline=_INK, width=2)
    for dx, dy in ((1, 0), (0, 1), (-1, 0), (0, -1), (0.7, 0.7), (-0.7, 0.7), (0.7, -0.7),
                   (-0.7, -0.7)):  # fmt: skip
        pen.line([(x + 16 * dx, y + 16 * dy), (x + 26 * dx, y + 26 * dy)], fill=_LIGHT, width=5)


def _flash(pen: Pen, left: int) -> None:
    x, y = left + 286, 62
    for dx, dy in ((1.0, 0.1), (0.9, -0.5), (0.5, -0.9)):
        pen.line([(x + 34 * dx, y + 34 * dy), (x + 70 * dx, y + 70 * dy)], fill=_LIGHT, width=9)
    bolt = [(8, -34), (-18, 6), (-2, 6), (-10, 36), (18, -8), (2, -8)]
    pen.polygon([(x + a, y + 10 + b) for a, b in bolt], fill=_LIGHT, outline=_INK, width=3)
    for way in (-1, 1):  # it stays where it is
        tip = left + 210 + way * 172
        pen.line([(tip, 380), (tip - way * 40, 380)], fill=_SOFT, width=7)
        pen.polygon([(tip - way * 60, 380), (tip - way * 36, 366), (tip - way * 36, 394)],
                    fill=_SOFT)  # fmt: skip
