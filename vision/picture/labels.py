"""Where do short words stand on a photo, so that they cover nothing that matters?

Each label takes the place nearest to its piece among all places that cover no piece, no
mark and no other label; where it can't stand close by, a line leads to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image as PillowImage
from PIL import ImageDraw

from vision.picture.tones import DARK, Tone
from vision.picture.writing import font_of, writable
from vision.types import Float32Array, FloatArray, Image

SIZE = 22
"""Height of the letters, px, on a picture at its usual size."""

CELL_PX = 4
"""Places are tried on a grid so fine."""

NEAR = 0.4
"""A label further from its piece than so many letters' heights is led to it by a line."""

OPTIONAL_NEAR = 3.0
"""One that may be left out is, where it would stand further away than this."""

COVERED = 30.0
"""What covering one cell costs, in cells of distance: only a full photo makes a label do it."""

STEPS = 16
"""A line may lead to so many points of each side of an outline."""

MIDDLE = 0.05
"""What being away from the piece's middle costs beside being away from the piece."""


class Box(NamedTuple):
    """Where a label stands, px."""

    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Label:
    """A word or two that belong to something on the picture.

    Attributes:
        text: The words.
        of: ``(n, 2)`` outline of what they belong to, in shown pixels.
        tone: Their colour.
        sign: Shape drawn before them (:data:`vision.picture.tones.SIGNS`); empty for none.
        within: Whether they stand on it rather than beside it.
        optional: Whether they may be left out where there is no room.
    """

    text: str
    of: FloatArray
    tone: Tone
    sign: str = ""
    within: bool = False
    optional: bool = False


class Labels:
    """The labels of one picture."""

    def __init__(self, width: int, height: int, size: int = SIZE) -> None:
        self.size = size
        self.taken = np.zeros((-(-height // CELL_PX), -(-width // CELL_PX)), np.uint8)
        self.wanted: list[Label] = []

    def want(self, label: Label) -> None:
        """Ask for a label."""
        self.wanted.append(label)

    def avoid(self, outline: FloatArray) -> None:
        """Keep labels off what lies inside an outline."""
        cv2.fillPoly(self.taken, [_cells(outline)], (1,))

    def drawn(self, canvas: Image) -> Image:
        """Return the canvas with all labels."""
        picture = PillowImage.fromarray(canvas)
        pen = ImageDraw.Draw(picture)
        placed = self.placed()
        for label, box in placed:
            tip, at = _ends(box, label.of)
            if not label.within and float(np.hypot(*(tip - at))) > NEAR * self.size:
                for shade, width in ((DARK, 5), (label.tone, 2)):
                    pen.line([*map(float, at), *map(float, tip)], fill=shade, width=width)
        for label, box in placed:
            pen.rounded_rectangle(box, radius=7, fill=DARK)
            middle = (box.top + box.bottom) / 2
            left = box.left + 9
            if label.sign:
                _draw_sign(pen, label.sign, (left + 0.4 * self.size, middle), self.size, label.tone)
                left += 1.1 * self.size
            font = font_of(self.size)
            pen.text((left, middle), writable(label.text), font=font, fill=label.tone, anchor="lm")
        return np.asarray(picture)

    def placed(self) -> list[tuple[Label, Box]]:
        """Return where each label stands; one that may be left out is, for want of room."""
        words = np.zeros_like(self.taken)
        found = []
        for label in self.wanted:
            width = font_of(self.size).getlength(writable(label.text)) + 18
            width += 1.1 * self.size if label.sign else 0
            box = self._place(label, width, self.size + 12.0, words)
            if box is None:
                continue
            left, top, right, bottom = (int(v) // CELL_PX for v in box)
            words[top : bottom + 1, left : right + 1] = 1
            found.append((label, box))
        return found

    def _place(
        self, label: Label, width: float, height: float, words: NDArray[np.uint8]
    ) -> Box | None:
        rows, columns = self.taken.shape
        w, h = int(-(-width // CELL_PX)) + 1, int(-(-height // CELL_PX)) + 1
        if w >= columns or h >= rows:
            return None if label.optional else Box(0.0, 0.0, width, height)
        own = np.ones(self.taken.shape, np.uint8)
        cv2.fillPoly(own, [_cells(label.of)], (0,))
        x, y = label.of.mean(axis=0) / CELL_PX
        across = np.abs(np.arange(columns - w) + w / 2 - x)
        down = np.abs(np.arange(rows - h) + h / 2 - y)
        from_middle = across[None, :] + down[:, None]
        covered = _sums(words, w, h).astype(np.float32)
        if label.within:
            away = from_middle
        else:
            covered += _sums(self.taken, w, h)
            distance = cv2.distanceTransform(own, cv2.DIST_L2, 3)
            away = _least(distance, w, h) + MIDDLE * from_middle
        row, column = np.unravel_index(int(np.argmin(away + COVERED * covered)), away.shape)
        if label.optional and (
            covered[row, column] or CELL_PX * away[row, column] > OPTIONAL_NEAR * self.size
        ):
            return None
        left, top = float(column * CELL_PX + 2), float(row * CELL_PX + 2)
        return Box(left, top, left + width, top + height)


def _cells(outline: FloatArray) -> NDArray[np.int32]:
    return np.asarray(np.round((outline + 0.5) / CELL_PX - 0.5), dtype=np.int32)


def _sums(mask: NDArray[np.uint8], w: int, h: int) -> NDArray[np.int32]:
    """Return how many marked cells a box of ``w`` by ``h`` covers, by its upper left cell."""
    total = np.asarray(cv2.integral(mask), dtype=np.int32)
    return (
        total[h:-1, w:-1]
        - total[: -h - 1, w:-1]
        - total[h:-1, : -w - 1]
        + total[: -h - 1, : -w - 1]
    )


def _least(distance: Float32Array, w: int, h: int) -> Float32Array:
    """Return the least value in a box of ``w`` by ``h``, by its upper left cell."""
    least = cv2.erode(distance, np.ones((h, w), np.uint8), anchor=(0, 0))
    return np.asarray(least[: distance.shape[0] - h, : distance.shape[1] - w])


def _ends(box: Box, outline: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the points of a box and of an outline that are nearest to each other."""
    low, high = np.array([box.left, box.top]), np.array([box.right, box.bottom])
    after = np.roll(outline, -1, axis=0)
    along = np.linspace(0.0, 1.0, STEPS, endpoint=False)[:, None, None]
    points = (outline + along * (after - outline)).reshape(-1, 2)  # corners alone lie far apart
    tips = np.clip(points, low, high)
    nearest = int(np.argmin(np.hypot(*(tips - points).T)))
    return tips[nearest], points[nearest]


def _draw_sign(
    pen: ImageDraw.ImageDraw, sign: str, at: tuple[float, float], size: int, tone: Tone
) -> None:
    x, y = at
    r = 0.36 * size
    if sign == "disc":
        pen.ellipse((x - r, y - r, x + r, y + r), fill=tone)
    elif sign == "square":
        pen.rectangle((x - r, y - r, x + r, y + r), fill=tone)
    elif sign == "diamond":
        r *= 1.3
        pen.polygon([(x, y - r), (x + r, y), (x, y + r), (x - r, y)], fill=tone)
    else:
        width = max(2, round(0.16 * size))
        pen.line((x - r, y - r, x + r, y + r), fill=tone, width=width)
        pen.line((x - r, y + r, x + r, y - r), fill=tone, width=width)
