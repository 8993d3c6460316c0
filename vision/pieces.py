"""Where on the photo are the pieces?

The narrow seam is a foreground map: one number a pixel of a reduced photo, how
likely it shows a piece. It comes from the table as a background model (here,
:func:`foreground_by_table`) or from the surface network (:mod:`vision.surface`);
:func:`regions_from_foreground` turns either into outlines at full resolution.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

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

REFINE_LONG_SIDE_PX = 1536
"""Outlines are refined on a crop at most this long."""

TABLE_WINDOW_SHARE = 0.30
"""Side of the window whose median is "the table here", as a share of the photo's
long side: wider than twice a tube across a hand-high photo, narrow enough for a
lamp's falloff to look flat."""

MIN_AREA_SHARE = 4e-4
"""Smaller spots are dirt: 0.04 % is 20 mm² of an A5 page."""

SHADOW_WEIGHT = 0.30
"""How much of a pure darkening counts: a shadow keeps the table's colour."""

Z_HALF = 4.5
"""Distance from the table, in its own spreads, where a pixel is as likely piece as
table. At 3 wood grain comes through; at 6 dull pieces on wood are lost."""


def reduced(rgb: Image, long_side_px: int) -> tuple[Image, float]:
    """Return a copy at most ``long_side_px`` long and its factor (full px per px)."""
    factor = max(rgb.shape[:2]) / long_side_px
    if factor <= 1:
        return rgb, 1.0
    size = (round(rgb.shape[1] / factor), round(rgb.shape[0] / factor))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), dtype=np.uint8), factor


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


def foreground_by_table(small: Image, reference: Mask) -> Float32Array:
    """Return how likely each pixel shows a piece, by its distance from the table.

    The table at a pixel is the median colour of a wide window around it; its
    spread is the median distance in the same window, so grain and cloth raise the
    bar where they are. Darkening without a change of colour is taken for shadow
    and counts little. A second look against the photo's overall table colours
    keeps pieces wider than the window.

    Args:
        small: ``(h, w, 3)`` uint8 sRGB, about ``WORK_LONG_SIDE_PX`` long.
        reference: ``(h, w)`` pixels to leave out.

    Returns:
        ``(h, w)`` float32, 0 to 1.
    """
    lab = cv2.cvtColor(cv2.GaussianBlur(small, (0, 0), 0.8), cv2.COLOR_RGB2LAB)
    filled = _without_reference(lab, reference)
    local = _distance(lab, _wide_median(filled))
    overall = _distance(lab, _nearest_table_colour(filled, reference))
    spread = _wide_median_of(local, reference)
    # A wide piece is its own window's median: there only the overall table tells it.
    z = np.maximum(local / spread, overall / max(float(np.median(overall[~reference])), 2.0) * 0.8)
    z = cv2.GaussianBlur(z.astype(np.float32), (0, 0), 1.0)
    p = 1.0 / (1.0 + np.exp(-1.5 * (z - Z_HALF)))
    p[reference] = 0.0
    return np.asarray(p, dtype=np.float32)


def foreground_by_surface(
    surface: SurfaceMap, shape: tuple[int, int], reference: Mask
) -> Float32Array:
    """Return how likely each pixel shows a piece, by the surface network's overview.

    Args:
        surface: Map over the whole photo.
        shape: ``(h, w)`` of the reduced photo.
        reference: ``(h, w)`` pixels to leave out.
    """
    ground = surface.p[[SURFACES.index(Surface.TABLE), SURFACES.index(Surface.REFERENCE)]]
    p = cv2.resize(1 - ground.sum(axis=0), shape[::-1], interpolation=cv2.INTER_LINEAR)
    p[reference] = 0.0
    return np.asarray(np.clip(p, 0, 1), dtype=np.float32)


def _without_reference(lab: Image, reference: Mask) -> Image:
    """Fill the reference with the table's median, so that it doesn't bend the model."""
    filled = lab.copy()
    if (~reference).any():
        filled[reference] = np.median(lab[~reference], axis=0).astype(np.uint8)
    return filled


def _wide_median(lab: Image) -> Image:
    # A window this wide needs no fine pixels; a quarter of them is 16 times faster.
    quarter = cv2.resize(lab, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    size = max(3, int(TABLE_WINDOW_SHARE * max(quarter.shape[:2])) | 1)
    padded = cv2.copyMakeBorder(quarter, size, size, size, size, cv2.BORDER_REFLECT)
    median = cv2.medianBlur(padded, size)[size:-size, size:-size]
    return np.asarray(cv2.resize(median, lab.shape[1::-1]), dtype=np.uint8)


def _wide_median_of(distance: Float32Array, reference: Mask) -> Float32Array:
    coded = np.clip(distance * 4, 0, 255).astype(np.uint8)
    coded[reference] = np.uint8(np.median(coded[~reference])) if (~reference).any() else 0
    median = _wide_median(np.repeat(coded[..., None], 3, axis=2))[..., 0].astype(np.float32) / 4
    return np.maximum(median, 2.0)


def _nearest_table_colour(lab: Image, reference: Mask) -> Image:
    """Return for each pixel the nearest of the colours that the photo's rim is made of."""
    rim = np.ones(lab.shape[:2], bool)
    inset = max(2, lab.shape[0] // 16)
    rim[inset:-inset, inset:-inset] = False
    sample = lab[rim & ~reference].astype(np.float32)
    if len(sample) < 64:
        return lab
    sample = sample[:: max(1, len(sample) // 4000)]
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 20, 0.5)
    cv2.setRNGSeed(1)
    _, labels, centres = cv2.kmeans(sample, 6, np.empty(0), criteria, 2, cv2.KMEANS_PP_CENTERS)
    kept = centres[np.bincount(labels.ravel(), minlength=6) > 0.08 * len(sample)]
    nearest = np.full(lab.shape[:2], np.inf, np.float32)
    colours = lab.copy()
    for centre in kept:
        centre_u8 = np.clip(np.round(centre), 0, 255).astype(np.uint8)
        distance = _distance(lab, np.broadcast_to(centre_u8, lab.shape))
        closer = distance < nearest
        nearest[closer] = distance[closer]
        colours[closer] = centre_u8
    return colours


def _distance(lab: Image, table: Image) -> Float32Array:
    """Colour distance in which a plain shadow is short."""
    difference = lab.astype(np.float32) - table.astype(np.float32)
    lightness = difference[..., 0] / 2.55
    # In a shadow lightness and chroma fall together; undo the expected fall of chroma.
    ratio = np.clip(
        (lab[..., 0].astype(np.float32) + 8) / (table[..., 0].astype(np.float32) + 8), 0, 1
    )
    chroma = (lab[..., 1:].astype(np.float32) - 128) - ratio[..., None] * (
        table[..., 1:].astype(np.float32) - 128
    )
    lightness = np.where(lightness < 0, SHADOW_WEIGHT * lightness, 0.7 * lightness)
    return np.asarray(
        np.sqrt(lightness**2 + chroma[..., 0] ** 2 + chroma[..., 1] ** 2), dtype=np.float32
    )


def regions_from_foreground(
    photo: Photo, foreground: Float32Array, factor: float
) -> tuple[Region, ...]:
    """Return the pieces of a foreground map, largest first, at full resolution.

    Args:
        photo: The photo the map belongs to.
        foreground: ``(h, w)`` float32, 0 to 1, over the whole photo.
        factor: Photo pixels per map pixel.
    """
    mask: Mask = (foreground > 0.5).astype(np.uint8)
    mask = cv2.morphologyEx(
        mask, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    )
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    found = []
    for number in range(1, count):
        if stats[number, cv2.CC_STAT_AREA] < MIN_AREA_SHARE * mask.size:
            continue
        own = labels == number
        # The surest tenth of a piece is far from the table; a smear of doubt is not a piece.
        score = float(np.quantile(foreground[own], 0.9))
        if score < 0.8:
            continue
        region = _refined(photo, foreground, own, stats[number], factor, score)
        if region is not None:
            found.append(region)
    return tuple(sorted(found, key=lambda region: -int(region.mask.sum())))


def _refined(
    photo: Photo,
    foreground: Float32Array,
    own: Mask,
    stats: np.ndarray,
    factor: float,
    score: float,
) -> Region | None:
    """Snap one component to the photo's edges and return it at full resolution."""
    pad = 8
    x0, y0 = max(0, stats[0] - pad), max(0, stats[1] - pad)
    x1 = min(own.shape[1], stats[0] + stats[2] + pad)
    y1 = min(own.shape[0], stats[1] + stats[3] + pad)
    left, top = int(x0 * factor), int(y0 * factor)
    right = min(photo.width_px, int(np.ceil(x1 * factor)))
    bottom = min(photo.height_px, int(np.ceil(y1 * factor)))
    crop, step = reduced(photo.rgb[top:bottom, left:right], REFINE_LONG_SIDE_PX)
    size = crop.shape[1::-1]
    grown = cv2.dilate(own[y0:y1, x0:x1].astype(np.uint8), np.ones((5, 5), np.uint8))
    soft = cv2.resize(foreground[y0:y1, x0:x1] * grown, size, interpolation=cv2.INTER_LINEAR)
    radius = max(2, round(1.5 * factor / step))
    snapped = guided_filter(soft, crop, radius_px=radius)
    binary = (snapped > 0.5).astype(np.uint8)
    full_size = (right - left, bottom - top)
    if step > 1:
        full = cv2.resize(snapped, full_size, interpolation=cv2.INTER_LINEAR) > 0.5
    else:
        full = binary.astype(bool)
    full = _largest(full)
    contours, _ = cv2.findContours(full.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    contour = max(contours, key=cv2.contourArea)
    outline = cv2.approxPolyDP(contour, 0.5, closed=True)[:, 0].astype(np.float64) + (left, top)
    x, y, w, h = cv2.boundingRect(contour)
    return Region(
        box_px=(left + x, top + y, w, h),
        mask=full[y : y + h, x : x + w],
        outline_px=outline,
        score=score,
    )


def _largest(mask: Mask) -> Mask:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        mask.astype(np.uint8), connectivity=8
    )
    if count <= 2:
        return mask
    return np.asarray(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])), dtype=bool)


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


def find_pieces(
    photo: Photo, *, reference_outlines_px: Sequence[FloatArray] = ()
) -> tuple[Region, ...]:
    """Return every piece on the table, largest first, without the surface network."""
    small, factor = reduced(photo.rgb, WORK_LONG_SIDE_PX)
    reference = reference_mask(small.shape[:2], reference_outlines_px, factor)
    return regions_from_foreground(photo, foreground_by_table(small, reference), factor)
