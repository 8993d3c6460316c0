"""One piece in both photos of a pair, beside each other: how the flash makes its metal look."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
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

SPOT_PX, SPOT_CORES, SPOT_LEAST_PX = 420, 3.0, 24
"""The enlarged bright spot's size, and what it shows: so many cores of it, so much at least."""

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
    """Return both looks, ``(height, width, 3)`` uint8, and the bright spot by the flash, enlarged.

    A wide piece's looks are laid one above the other.
    """
    panels = [_panel(plain), _panel(flash), *_spot(flash)]
    below = plain.box_px[2] > plain.box_px[3]
    axis = 0 if below else 1
    size = [max(panel.shape[k] for panel in panels) for k in (0, 1)]
    size[axis] = sum(panel.shape[axis] for panel in panels) + GAP_PX * (len(panels) - 1)
    sheet = np.full((*size, 3), PAPER, np.uint8)
    at = [0, 0]
    for panel in panels:
        h, w = panel.shape[:2]
        sheet[at[0] : at[0] + h, at[1] : at[1] + w] = panel
        at[axis] += panel.shape[axis] + GAP_PX
    return sheet


def _spot(look: Look) -> list[Image]:
    """Return what lies about the highlight, enlarged; nothing where none was found."""
    if not look.core_px or not look.ring_px:
        return []
    x, y, w, h = look.core_px[0]
    half = int(np.clip(SPOT_CORES * max(w, h) / 2, SPOT_LEAST_PX / 2, max(look.ring_px[0][2:])))
    middle = (x + w // 2, y + h // 2)
    top, left = (max(0, at - half) for at in middle[::-1])
    part = look.rgb[top : middle[1] + half, left : middle[0] + half]
    scale = SPOT_PX / max(part.shape[:2])
    size = (round(part.shape[1] * scale), round(part.shape[0] * scale))
    canvas = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_CUBIC), np.uint8)
    labels = Labels(*size, LETTERS_PX)
    corner = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]])
    labels.want(Label(text="bright spot, enlarged", of=corner, tone=WHITE))
    return [labels.drawn(canvas)]


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
    for boxes, words, tone in (
        (look.ring_px, "metal round it", REFERENCE),
        (look.core_px, "bright spot", UNSURE),
    ):
        for bx, by, bw, bh in boxes[:1]:
            corners = corners_of((bx - left, by - top, bw, bh), factor)
            dashed(canvas, corners, tone)
            labels.want(Label(text=words, of=corners, tone=tone))
    corner = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0]])
    labels.want(Label(text=look.title, of=corner, tone=WHITE))
    return labels.drawn(canvas)
