"""A part of an examined photo, with everything that was found still in its place."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision.types import Examination, FloatArray, PieceReading

MARGIN = 0.25
"""Room around the box, as a share of its longer side: the table and shadow help the eye."""

LEAST_PX = 240
"""Less of the photo is never shown: a speck without its surroundings tells nobody anything."""


def closeup(examination: Examination, box_px: tuple[int, int, int, int]) -> Examination:
    """Return the examination of the part of the photo around a box.

    Only for drawing: outlines, widths and boxes move along; scale and findings stay as
    they are, and belong to the whole photo.

    Args:
        examination: The whole photo.
        box_px: ``(x, y, width, height)`` in its pixels.
    """
    photo = examination.photo
    x, y, w, h = box_px
    margin = round(max(MARGIN * max(w, h), (LEAST_PX - max(w, h)) / 2, 8))
    left, top = max(0, x - margin), max(0, y - margin)
    right = min(photo.width_px, x + w + margin)
    bottom = min(photo.height_px, y + h + margin)
    away = np.array([left, top], np.float64)
    scale = examination.scale
    if scale is not None:
        outlines = tuple(
            outline - away
            for outline in scale.outlines_px
            if _meets(outline, left, top, right, bottom)
        )
        scale = replace(scale, outlines_px=outlines)
    return replace(
        examination,
        photo=replace(photo, rgb=np.ascontiguousarray(photo.rgb[top:bottom, left:right])),
        scale=scale,
        pieces=tuple(
            _moved(piece, away)
            for piece in examination.pieces
            if _meets(piece.region.outline_px, left, top, right, bottom)
        ),
        left_out=(),  # from near it is about the piece
    )


def _meets(outline: FloatArray, left: int, top: int, right: int, bottom: int) -> bool:
    """Whether an outline's box reaches into the part."""
    (x0, y0), (x1, y1) = outline.min(axis=0), outline.max(axis=0)
    return bool(x1 >= left and x0 < right and y1 >= top and y0 < bottom)


def _moved(piece: PieceReading, away: FloatArray) -> PieceReading:
    return replace(
        piece,
        region=replace(
            piece.region,
            box_px=_moved_box(piece.region.box_px, away),
            outline_px=piece.region.outline_px - away,
        ),
        boxes_px={
            what: tuple(_moved_box(box, away) for box in boxes)
            for what, boxes in piece.boxes_px.items()
        },
        measured_lines_px=piece.measured_lines_px - away,
    )


def _moved_box(box: tuple[int, int, int, int], away: FloatArray) -> tuple[int, int, int, int]:
    x, y, w, h = box
    return (x - int(away[0]), y - int(away[1]), w, h)
