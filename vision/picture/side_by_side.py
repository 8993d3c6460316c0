"""One piece in both photos of a pair, beside each other: how the flash makes its metal look."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.picture.labels import Label, Labels
from vision.picture.lines import corners_of, dashed, line, onto
from vision.picture.marks import shown
from vision.picture.tones import PAPER, REFERENCE, UNSURE, WHITE
from vision.types import Boxes, Examination, FloatArray, Image

PANEL_PX = 700
"""Each of the two is at most so long."""

MARGIN = 0.12
"""Room around the piece, as a share of its box's longer side."""

GAP_PX = 14
LETTERS_PX = 30
"""To be read on a phone that shows the pair from edge to edge."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """A piece on one photo.

    Attributes:
        rgb: ``(height, width, 3)`` uint8, the whole photo.
        box_px: ``(x, y, width, height)`` of the piece.
        outline_px: ``(n, 2)`` its outline.
        title: What the photo is.
        core_px: Where the highlight's middle lies.
        ring_px: Where the metal round it does.
    """

    rgb: Image
    box_px: tuple[int, int, int, int]
    outline_px: FloatArray
    title: str
    core_px: Boxes = ()
    ring_px: Boxes = ()


def looks_of(examination: Examination, number: int) -> tuple[Look, Look] | None:
    """Return one piece on both photos; None where the second doesn't show it."""
    if examination.flash is None:
        return None
    again = examination.flash.pieces[number]
    if again is None:
        return None
    region = examination.pieces[number].region
    plain = Look(
        rgb=examination.photo.rgb,
        box_px=region.box_px,
        outline_px=region.outline_px,
        title="without flash",
    )
    return plain, Look(
        rgb=examination.flash.photo.rgb,
        box_px=again.box_px,
        outline_px=again.outline_px,
        title="with flash",
        core_px=again.core_px,
        ring_px=again.ring_px,
    )


def side_by_side(plain: Look, flash: Look) -> Image:
    """Return both looks, ``(height, width, 3)`` uint8; a wide piece's one above the other."""
    first, second = _panel(plain), _panel(flash)
    (h0, w0), (h1, w1) = first.shape[:2], second.shape[:2]
    below = plain.box_px[2] > plain.box_px[3]
    size = (h0 + GAP_PX + h1, max(w0, w1)) if below else (max(h0, h1), w0 + GAP_PX + w1)
    sheet = np.full((*size, 3), PAPER, np.uint8)
    top, left = (h0 + GAP_PX, 0) if below else (0, w0 + GAP_PX)
    sheet[:h0, :w0] = first
    sheet[top : top + h1, left : left + w1] = second
    return sheet


def _panel(look: Look) -> Image:
    x, y, w, h = look.box_px
    margin = round(max(MARGIN * max(w, h), 12))
    left, top = max(0, x - margin), max(0, y - margin)
    part = look.rgb[top : y + h + margin, left : x + w + margin]
    canvas, factor = shown(np.ascontiguousarray(part), PANEL_PX)
    height, width = canvas.shape[:2]
    labels = Labels(width, height, LETTERS_PX)
    away = np.array([left, top])
    outline = onto(look.outline_px - away, factor)
    line(canvas, outline, WHITE, closed=True)
    labels.avoid(outline)
    for boxes, words, tone in ((look.ring_px, "ring", REFERENCE), (look.core_px, "core", UNSURE)):
        for bx, by, bw, bh in boxes[:1]:
            corners = corners_of((bx - left, by - top, bw, bh), factor)
            dashed(canvas, corners, tone)
            labels.want(Label(text=words, of=corners, tone=tone))
    corner = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]])
    labels.want(Label(text=look.title, of=corner, tone=WHITE))
    return labels.drawn(canvas)
