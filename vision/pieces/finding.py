"""Where on the photo are the pieces?

The narrow seam is a pair of maps over the photo: how likely each pixel shows a piece,
and the number of the piece it belongs to. They come from the surface network's overview
(:mod:`vision.finish.surface`, :mod:`vision.pieces.outlines`);
:func:`regions_from_labels` turns them into outlines at full resolution.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo.reduced import reduced
from vision.pieces.closer import CloserLook, Nearer, looked_at_closer
from vision.pieces.fragments import Labels
from vision.pieces.outlines import WEAK_P, parted
from vision.types import (
    Float32Array,
    FloatArray,
    Image,
    Mask,
    Photo,
    Region,
    SurfaceMap,
)

Contour = NDArray[np.int32]

REFINE_LONG_SIDE_PX = 1024
"""Outlines are refined on a crop at most this long."""

SURE_P = 0.7
"""The surest tenth of a piece is at least this likely. Chosen. Of 610 finds on 227 photos (rendered
ones and tables, real ones, most of these without copper) 92 are less sure, all on real ones."""

MOST_GROUND_P = 0.3
"""A piece that the classes take for table or reference by more, on average, is a stain, a
joint of the table or a print. Of 334 pieces found on 220 tuned-on renders none passes it;
of 68 finds where nothing is 17 do."""

PAD_PX = 8
"""A piece is drawn with so much of the map around it."""


def reference_mask(
    shape: tuple[int, int], outlines_px: Sequence[FloatArray], factor: float, *, margin_px: int = 3
) -> Mask:
    """Return the pixels of a reduced photo that belong to the reference, with a margin."""
    mask = np.zeros(shape, np.uint8)
    for outline in outlines_px:
        points = np.round((outline + 0.5) / factor - 0.5).astype(np.int32)
        cv2.fillPoly(mask, [points], (1,))
    grown = cv2.dilate(mask, np.ones((2 * margin_px + 1, 2 * margin_px + 1), np.uint8))
    return np.asarray(grown, dtype=bool)


def pieces_on(
    photo: Photo,
    overview: SurfaceMap,
    *,
    reference_outlines_px: Sequence[FloatArray] = (),
    early: tuple[Region, ...] | None = None,
    closer: CloserLook | None = None,
) -> tuple[Region, ...]:
    """Return every piece on the table, largest first, by the surface network.

    Args:
        photo: The photo.
        overview: The network's map over all of it.
        reference_outlines_px: What is the reference's and no piece.
        early: The pieces as if nothing were: where the reference lies on none of them they are
            not drawn again.
        closer: Looks at a part of the photo from closer by, for what could not be parted.
    """
    piece, gap = overview.outline
    if reference_outlines_px:
        factor = photo.width_px / piece.shape[1]
        reference = reference_mask(piece.shape, reference_outlines_px, factor)
        # Less likely pixels were never taken for a piece's.
        if early is not None and not (piece[reference] > WEAK_P).any():
            return early
        piece = np.where(reference, np.float32(0), piece)
    elif early is not None:
        return early
    parting = parted(piece, gap, overview)
    labels = parting.kept()
    nearer = [] if closer is None else list(looked_at_closer(photo, piece, parting, closer))
    for one in nearer:
        labels[one.island] = 0
    # Last: a shadow at a wire's side is seen to be ground only once it is parted from it.
    labels = _without_ground(labels, overview)
    found = regions_from_labels(photo, piece, labels, one_p=parting.one_p)
    return _largest_first([*found, *(r for one in nearer for r in _drawn(photo, one))])


def _drawn(photo: Photo, near: Nearer) -> list[Region]:
    """Return the pieces that a closer look parted, in pixels of the photo."""
    x, y, w, h = near.surface.box_px
    part = replace(photo, rgb=np.ascontiguousarray(photo.rgb[y : y + h, x : x + w]))
    labels = _without_ground(near.labels, near.surface)
    found = regions_from_labels(part, near.piece, labels, one_p=near.one_p)
    return [_moved(region, x, y) for region in found]


def _moved(region: Region, x: int, y: int) -> Region:
    """Return the region in pixels of a picture of which its own is a part that begins there."""
    left, top, w, h = region.box_px
    outline_px = region.outline_px + (x, y)
    return replace(region, box_px=(left + x, top + y, w, h), outline_px=outline_px)


def _without_ground(labels: Labels, overview: SurfaceMap) -> Labels:
    """Leave out what the outline head took for a piece, and the classes don't."""
    ground = overview.ground_p
    ys, xs = np.unravel_index(np.flatnonzero(labels), labels.shape)
    numbers = labels[ys, xs]
    rows, columns = ground.shape
    p = ground[ys * rows // labels.shape[0], xs * columns // labels.shape[1]]
    count = int(labels.max()) + 1
    areas = np.bincount(numbers, minlength=count)
    is_piece = np.bincount(numbers, weights=p, minlength=count) <= MOST_GROUND_P * areas
    return np.asarray(labels * is_piece[labels], dtype=np.int32)


def regions_from_labels(
    photo: Photo, foreground: Float32Array, labels: Labels, *, one_p: FloatArray | None = None
) -> tuple[Region, ...]:
    """Return numbered pieces, largest first, at full resolution.

    Args:
        photo: The photo the maps belong to.
        foreground: ``(h, w)`` float32, 0 to 1, over the whole photo.
        labels: ``(h, w)`` number of the piece at each pixel, 0 none.
        one_p: How likely what has each number is one whole piece; None for surely.
    """
    found = []
    for number in np.flatnonzero(np.bincount(labels[labels > 0])).tolist():
        own = labels == number
        score = float(np.quantile(foreground[own], 0.9))
        if score < SURE_P:  # a smear of doubt is not a piece
            continue
        region = _refined(photo, labels.shape, *_soft(foreground, labels, number, own))
        if region is not None:
            one = 1.0 if one_p is None else float(one_p[number])
            found.append(replace(region, score=score, one_p=one))
    return _largest_first(found)


def _largest_first(found: Sequence[Region]) -> tuple[Region, ...]:
    return tuple(sorted(found, key=lambda region: -int(region.mask.sum())))


def _soft(
    foreground: Float32Array, labels: Labels, number: int, own: Mask
) -> tuple[tuple[int, int, int, int], Float32Array]:
    """Return the cells around a piece, ``(x0, y0, x1, y1)``, and how likely each is its own."""
    x, y, w, h = cv2.boundingRect(own.view(np.uint8))
    x0, y0 = max(0, x - PAD_PX), max(0, y - PAD_PX)
    x1, y1 = min(labels.shape[1], x + w + PAD_PX), min(labels.shape[0], y + h + PAD_PX)
    part = labels[y0:y1, x0:x1]
    grown = cv2.dilate((part == number).astype(np.uint8), np.ones((5, 5), np.uint8))
    grown[(part > 0) & (part != number)] = 0  # what is another piece's stays another's
    around = foreground[y0:y1, x0:x1]
    # What was grown over weaker pixels is not to fall off again.
    soft = np.where(part == number, np.maximum(around, 0.6), around * grown)
    return (x0, y0, x1, y1), soft.astype(np.float32)


def _refined(
    photo: Photo,
    map_shape: tuple[int, ...],
    cells: tuple[int, int, int, int],
    soft: Float32Array,
) -> Region | None:
    """Snap one piece to the photo's edges and return it at full resolution, its score open."""
    across = photo.width_px / map_shape[1]
    down = photo.height_px / map_shape[0]
    x0, y0, x1, y1 = cells
    left, top = int(x0 * across), int(y0 * down)
    right = min(photo.width_px, int(np.ceil(x1 * across)))
    bottom = min(photo.height_px, int(np.ceil(y1 * down)))
    guide = _clearest_channel(photo.rgb[top:bottom, left:right])
    guide, step = reduced(guide, REFINE_LONG_SIDE_PX)
    # Each cell where it lies on the photo: cell u to crop pixel (u + 0.5) cell + shift - 0.5.
    sx, sy = across / step, down / step
    shift_x, shift_y = (x0 * across - left) / step, (y0 * down - top) / step
    matrix = np.array([[sx, 0, 0.5 * sx - 0.5 + shift_x], [0, sy, 0.5 * sy - 0.5 + shift_y]])
    placed = cv2.warpAffine(soft, matrix, guide.shape[::-1], flags=cv2.INTER_LINEAR)
    snapped = guided_filter(placed, guide, radius_px=max(2, round(1.5 * sx)))
    if step > 1:
        full_size = (right - left, bottom - top)
        snapped = cv2.resize(snapped, full_size, interpolation=cv2.INTER_LINEAR)
    full = (snapped > 0.5).view(np.uint8)
    contour = _without_specks(full)
    if contour is None:
        return None
    outline = cv2.approxPolyDP(contour, 0.5, closed=True)[:, 0].astype(np.float64) + (left, top)
    x, y, w, h = cv2.boundingRect(full)
    return Region(
        box_px=(left + x, top + y, w, h),
        mask=full[y : y + h, x : x + w].view(bool),
        outline_px=outline,
        score=0.0,
    )


def _without_specks(mask: NDArray[np.uint8]) -> Contour | None:
    """Drop islands under a tenth of the largest one, in place; return that one's outer outline.

    Args:
        mask: ``(h, w)`` of 0 and 1.
    """
    contours, tree = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    # The outline of a hole has the island's for its parent. Pixels by Pick's theorem.
    parents = tree[0][:, 3]
    is_hole = parents >= 0
    around = np.where(is_hole, -0.5, 0.5) * [len(contour) for contour in contours]
    areas = np.array([cv2.contourArea(contour) for contour in contours]) + around + 1
    np.subtract.at(areas, parents[is_hole], areas[is_hole])
    areas[is_hole] = 0.0
    largest = int(areas.argmax())
    specks = np.flatnonzero(~is_hole & (areas < 0.1 * areas[largest])).tolist()
    cv2.drawContours(mask, [contours[n] for n in specks], -1, (0,), cv2.FILLED)
    return np.asarray(contours[largest], np.int32)


def _clearest_channel(rgb: Image) -> Image:
    """Return the channel with the most contrast, ``(h, w)``."""
    some = np.ascontiguousarray(rgb.reshape(-1, 1, 3)[::16])
    return np.asarray(cv2.extractChannel(rgb, int(np.argmax(cv2.meanStdDev(some)[1]))), np.uint8)


def guided_filter(soft: Float32Array, guide: Image, *, radius_px: int) -> Float32Array:
    """Return ``soft`` with its edges moved to the guide's (He, Sun and Tang 2013).

    Args:
        soft: ``(h, w)`` float32.
        guide: ``(h, w)`` uint8.
        radius_px: Half of the window.
    """
    grey = guide.astype(np.float32) / 255
    size = (2 * radius_px + 1, 2 * radius_px + 1)
    mean_i, mean_p = cv2.blur(grey, size), cv2.blur(soft, size)
    variance = cv2.blur(grey * grey, size) - mean_i * mean_i
    covariance = cv2.blur(grey * soft, size) - mean_i * mean_p
    slope = covariance / (variance + 1e-3)
    offset = mean_p - slope * mean_i
    return np.asarray(cv2.blur(slope, size) * grey + cv2.blur(offset, size), dtype=np.float32)
