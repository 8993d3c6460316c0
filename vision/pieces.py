"""Where on the photo are the pieces?

The narrow seam is a pair of maps over the photo: how likely each pixel shows a piece,
and the number of the piece it belongs to. They come from the surface network's overview
(:mod:`vision.surface`, :mod:`vision.outlines`) or, without its file, from the table as a
background model (:mod:`vision.ground`), which takes pieces that touch for one;
:func:`regions_from_labels` turns either into outlines at full resolution.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from vision.ground import table_features
from vision.outlines import Labels, parted
from vision.reduced import reduced as reduced  # noqa: PLC0414 - others take it from here
from vision.types import (
    Float32Array,
    FloatArray,
    Image,
    Mask,
    Photo,
    Region,
    Surface,
    SurfaceMap,
)

SURFACES = list(Surface)

WORK_LONG_SIDE_PX = 1024
"""Pieces are found on a copy this long; a 12-megapixel photo shrinks 4 times."""

REFINE_LONG_SIDE_PX = 1024
"""Outlines are refined on a crop at most this long."""

MIN_AREA_SHARE = 4e-4
"""By the table alone, smaller spots are dirt: 0.04 % is 20 mm² of an A5 page."""

MIN_AREA_SHARE_SURFACE = 1.2e-4
"""The network knows dirt from wire; under this a piece is too small to judge."""

SURE_TABLE_P = 0.8
SURE_P = 0.7
"""The surest tenth of a piece is at least this likely, by the table and by the network."""

Z_HALF = 4.5
"""Distance from the table, in its own spreads, where a pixel is as likely piece as
table. At 3 wood grain comes through; at 6 dull pieces on wood are lost."""


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


def foreground_by_table(features: Float32Array) -> Float32Array:
    """Return how likely each pixel shows a piece, by its distance from the table alone.

    Args:
        features: ``(9, h, w)`` from :func:`vision.ground.table_features`.

    Returns:
        ``(h, w)`` float32, 0 to 1.
    """
    # A wide piece is its own window's median: there only the overall table tells it.
    z = 4 * np.maximum(features[6], 0.8 * features[7])
    z = cv2.GaussianBlur(z, (0, 0), 1.0)
    p = 1.0 / (1.0 + np.exp(-1.5 * (z - Z_HALF)))
    p[features[8] > 0] = 0.0
    return np.asarray(p, dtype=np.float32)


def find_pieces(
    photo: Photo, *, reference_outlines_px: Sequence[FloatArray] = ()
) -> tuple[Region, ...]:
    """Return every piece on the table, largest first, without the surface network."""
    small, factor = reduced(photo.rgb, WORK_LONG_SIDE_PX)
    reference = reference_mask(small.shape[:2], reference_outlines_px, factor)
    foreground = foreground_by_table(table_features(small, reference))
    return regions_from_labels(
        photo, foreground, parted(foreground), least=MIN_AREA_SHARE, sure=SURE_TABLE_P
    )


def pieces_on(
    photo: Photo, overview: SurfaceMap, *, reference_outlines_px: Sequence[FloatArray] = ()
) -> tuple[Region, ...]:
    """Return every piece on the table, largest first, by the surface network.

    Args:
        photo: The photo.
        overview: The network's map over all of it.
        reference_outlines_px: What is the reference's and no piece.
    """
    if overview.outline is not None:
        piece, gap = overview.outline
    else:
        ground = overview.p[[SURFACES.index(Surface.TABLE), SURFACES.index(Surface.REFERENCE)]]
        piece, gap = np.clip(1 - ground.sum(axis=0), 0, 1), None
    factor = photo.width_px / piece.shape[1]
    reference = reference_mask(piece.shape, reference_outlines_px, factor)
    piece = np.where(reference, np.float32(0), piece)
    return regions_from_labels(photo, piece, parted(piece, gap))


def regions_from_labels(
    photo: Photo,
    foreground: Float32Array,
    labels: Labels,
    *,
    least: float = MIN_AREA_SHARE_SURFACE,
    sure: float = SURE_P,
) -> tuple[Region, ...]:
    """Return numbered pieces, largest first, at full resolution.

    Args:
        photo: The photo the maps belong to.
        foreground: ``(h, w)`` float32, 0 to 1, over the whole photo.
        labels: ``(h, w)`` number of the piece at each pixel, 0 none.
        least: Smaller pieces, as a share of the photo, are left out.
        sure: So are those whose surest tenth is less likely a piece than this.
    """
    found = []
    count = int(labels.max()) + 1
    areas = np.bincount(labels.ravel(), minlength=count)
    for number in range(1, count):
        if areas[number] < least * labels.size:
            continue
        own = labels == number
        score = float(np.quantile(foreground[own], 0.9))
        if score < sure:  # a smear of doubt is not a piece
            continue
        region = _refined(photo, foreground, labels, number, score)
        if region is not None:
            found.append(region)
    return tuple(sorted(found, key=lambda region: -int(region.mask.sum())))


def _refined(
    photo: Photo, foreground: Float32Array, labels: Labels, number: int, score: float
) -> Region | None:
    """Snap one piece to the photo's edges and return it at full resolution."""
    across = photo.width_px / labels.shape[1]
    down = photo.height_px / labels.shape[0]
    pad = 8
    x, y, w, h = cv2.boundingRect((labels == number).astype(np.uint8))
    x0, y0 = max(0, x - pad), max(0, y - pad)
    x1, y1 = min(labels.shape[1], x + w + pad), min(labels.shape[0], y + h + pad)
    left, top = int(x0 * across), int(y0 * down)
    right = min(photo.width_px, int(np.ceil(x1 * across)))
    bottom = min(photo.height_px, int(np.ceil(y1 * down)))
    crop, step = reduced(photo.rgb[top:bottom, left:right], REFINE_LONG_SIDE_PX)
    part = labels[y0:y1, x0:x1]
    grown = cv2.dilate((part == number).astype(np.uint8), np.ones((5, 5), np.uint8))
    grown[(part > 0) & (part != number)] = 0  # what is another piece's stays another's
    around = foreground[y0:y1, x0:x1]
    soft = _placed(
        # What was grown over weaker pixels is not to fall off again.
        np.where(part == number, np.maximum(around, 0.6), around * grown).astype(np.float32),
        (x0 * across - left, y0 * down - top),
        (across / step, down / step),
        crop.shape[1::-1],
        step,
    )
    radius = max(2, round(1.5 * across / step))
    snapped = guided_filter(soft, crop, radius_px=radius)
    if step > 1:
        full_size = (right - left, bottom - top)
        snapped = cv2.resize(snapped, full_size, interpolation=cv2.INTER_LINEAR)
    full = _without_specks(snapped > 0.5)
    contours, _ = cv2.findContours(full.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    contour = max(contours, key=cv2.contourArea)
    outline = cv2.approxPolyDP(contour, 0.5, closed=True)[:, 0].astype(np.float64) + (left, top)
    x, y, w, h = cv2.boundingRect(full.astype(np.uint8))
    return Region(
        box_px=(left + x, top + y, w, h),
        mask=full[y : y + h, x : x + w],
        outline_px=outline,
        score=score,
    )


def _placed(
    soft: Float32Array,
    shift_px: tuple[float, float],
    cell_px: tuple[float, float],
    size: tuple[int, int],
    step: float,
) -> Float32Array:
    """Return a piece of a map on a crop's pixels, each cell where it lies on the photo."""
    sx, sy = cell_px
    # cell u to crop pixel: (u + 0.5) cell + shift - 0.5
    matrix = np.array(
        [
            [sx, 0.0, 0.5 * sx - 0.5 + shift_px[0] / step],
            [0.0, sy, 0.5 * sy - 0.5 + shift_px[1] / step],
        ]
    )
    placed = cv2.warpAffine(soft, matrix, size, flags=cv2.INTER_LINEAR)
    return np.asarray(placed, dtype=np.float32)


def _without_specks(mask: Mask) -> Mask:
    """Drop specks: islands under a tenth of the largest one."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        mask.astype(np.uint8), connectivity=8
    )
    if count <= 2:
        return mask
    area = stats[:, cv2.CC_STAT_AREA].copy()
    area[0] = 0
    return np.asarray((area >= 0.1 * area.max())[labels], dtype=bool)


def guided_filter(soft: Float32Array, guide: Image, *, radius_px: int) -> Float32Array:
    """Return ``soft`` with its edges moved to the guide's (He, Sun and Tang 2013).

    Grey-guide form of the filter on the channel of the guide with the most contrast.

    Args:
        soft: ``(h, w)`` float32.
        guide: ``(h, w, 3)`` uint8.
        radius_px: Half of the window.
    """
    channel = int(np.argmax(guide.reshape(-1, 3)[::16].std(axis=0)))
    grey = guide[..., channel].astype(np.float32) / 255
    size = (2 * radius_px + 1, 2 * radius_px + 1)
    mean_i, mean_p = cv2.blur(grey, size), cv2.blur(soft, size)
    variance = cv2.blur(grey * grey, size) - mean_i * mean_i
    covariance = cv2.blur(grey * soft, size) - mean_i * mean_p
    slope = covariance / (variance + 1e-3)
    offset = mean_p - slope * mean_i
    return np.asarray(cv2.blur(slope, size) * grey + cv2.blur(offset, size), dtype=np.float32)
