"""One piece laid out straight in both photos, cut alike from both."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.flash.types import LitStrip, StripPair
from vision.photo.colour import to_linear
from vision.photo.quality import CLIPPED_CODE
from vision.pieces.centreline import CentreLine, axis_line, centre_line
from vision.reference.plane import mapped
from vision.types import Boxes, Float32Array, FloatArray, Mask, Photo, Region
from vision.width.profiles import quickly_at

ACROSS = 48
"""Columns of a strip, from edge to edge; fewer where the piece has fewer pixels."""

MOST_ROWS = 1200
"""A longer piece is cut at wider steps along it."""

BESIDE_WIDTHS, MOST_ASIDE = 1.2, 0.7
"""The flash photo's own mask is looked at so far to both sides, in widths; the strip follows its
middle by at most so much: a thin wire lies a good part of its width off where the reference
says."""

CLIPPED = float(to_linear(np.array([CLIPPED_CODE], np.uint8))[0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lit:
    """A piece on one of the two photos.

    Attributes:
        photo: The photo.
        region: The piece.
        white: ``(3,)`` linear light of white beside it, None where unknown.
    """

    photo: Photo
    region: Region
    white: FloatArray | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairCut:
    """The strips of one piece, and where the flash photo's lies on it.

    Attributes:
        pair: Both strips.
        flash_at_px: ``(rows, columns, 2)`` the flash photo's pixels under the strip.
    """

    pair: StripPair
    flash_at_px: FloatArray

    def boxes_px(self, boxes: Boxes) -> Boxes:
        """Return boxes of the flash strip, ``(column, row, columns, rows)``, in photo pixels."""
        found = []
        for column, row, columns, rows in boxes:
            part = self.flash_at_px[row : row + rows, column : column + columns].reshape(-1, 2)
            low, high = np.floor(part.min(axis=0)), np.ceil(part.max(axis=0))
            x, y, right, bottom = (int(v) for v in (*low, *high))
            found.append((x, y, right - x + 1, bottom - y + 1))
        return tuple(found)


def cut_alike(plain: Lit, flash: Lit, *, flash_from_plain: FloatArray) -> PairCut:
    """Return one piece's strips: the same rows and columns of it in both photos.

    Args:
        plain: The piece on the first photo; the strip runs along its middle there.
        flash: The piece on the second.
        flash_from_plain: ``(3, 3)`` from plain to flash photo pixels at this piece.
    """
    region = plain.region
    line = centre_line(region.mask, offset_px=region.box_px[:2]) or axis_line(region)
    width = 2 * line.radius_px
    points, normals = _rows(line, max(1.0, width / ACROSS))
    columns = int(min(ACROSS, max(2, width)))
    offsets = width * ((np.arange(columns) + 0.5) / columns - 0.5)
    beside = width * BESIDE_WIDTHS * np.linspace(-1, 1, 2 * ACROSS + 1)

    def over(off: FloatArray) -> FloatArray:
        at = points[:, None] + off[..., None] * normals[:, None]
        return mapped(at.reshape(-1, 2), flash_from_plain).reshape(at.shape)

    aside = _middles(_on(flash.region, over(beside[None])), beside, width)
    here = points[:, None] + offsets[None, :, None] * normals[:, None]
    there = over(offsets[None] + aside[:, None])
    pair = StripPair(plain=_lit(plain, here), flash=_lit(flash, there))
    return PairCut(pair=pair, flash_at_px=there)


def _rows(line: CentreLine, step: float) -> tuple[FloatArray, FloatArray]:
    """Return ``(n, 2)`` points along a line and the unit vectors across it."""
    count = int(np.clip(line.length_px / step + 1, 2, MOST_ROWS))
    at, index = np.linspace(0, len(line.points_px) - 1, count), np.arange(len(line.points_px))
    points, normals = (
        np.column_stack([np.interp(at, index, values[:, k]) for k in (0, 1)])
        for values in (line.points_px, line.normals)
    )
    return points, normals / np.linalg.norm(normals, axis=1, keepdims=True)


def _middles(on: Mask, beside: FloatArray, width: float) -> FloatArray:
    """Return how far aside the middle of the mask lies in each row, evened along the piece."""
    count = on.sum(axis=1)
    middle = (on * beside).sum(axis=1) / np.maximum(count, 1)
    usual = float(np.median(middle[count > 0])) if count.any() else 0.0
    middle = np.clip(np.where(count > 0, middle, usual), -MOST_ASIDE * width, MOST_ASIDE * width)
    return cv2.blur(middle[:, None], (1, 2 * ACROSS + 1), borderType=cv2.BORDER_REPLICATE)[:, 0]


def _on(region: Region, at: FloatArray) -> Mask:
    """Return which of the ``(n, m, 2)`` points lie on a piece."""
    local = (at - np.asarray(region.box_px[:2])).astype(np.float32)
    mask = np.ascontiguousarray(region.mask).view(np.uint8)
    return np.asarray(cv2.remap(mask, local[..., 0], local[..., 1], cv2.INTER_NEAREST) > 0)


def _lit(piece: Lit, at: FloatArray) -> LitStrip:
    step = float(np.median(np.linalg.norm(np.diff(at, axis=1), axis=-1)))
    light: Float32Array = quickly_at(piece.photo, at, step_px=step)
    clipped = np.asarray((light >= CLIPPED).any(axis=-1))
    if piece.white is not None:
        light = light / np.asarray(piece.white, np.float32)
    light = np.where(_on(piece.region, at)[..., None], light, np.float32(np.nan))
    return LitStrip(light=light, clipped=clipped, white_known=piece.white is not None)
