"""What does each pixel of a piece look like, in numbers that survive the light?

Colour relative to white, brightness relative to white, and how both behave around
the pixel: a bare metal's highlight keeps the metal's colour, a coat's has the
lamp's (Shafer's dichromatic model; Healey, J. Opt. Soc. Am. A 6 (1989) 920, for
metals). The same code makes the numbers for the photos and for the synthetic
strips that the class constants are fitted on (models/recipe/fits/colour_families.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo.colour import strongest_channel, to_linear
from vision.types import Float32Array, FloatArray, Image, Mask

CLIPPED_CODE = 250
"""Pixels with a channel above this are left out: a clipped channel has no colour."""

DARK_CODE = 16
"""Pixels whose brightest channel is below this are left out: noise and lens flare."""

FLOOR_LINEAR = 0.0024
"""Linear light of code 8: a weaker channel is read as this, so ratios stay finite."""

TARGET_WIDTH_PX = 12.0
"""Pieces are shrunk until their narrow way is about this wide, never enlarged."""

LEAST_LONG_SIDE_PX = 96.0
"""Nor are they shrunk below this length: a sheet or a coin keeps its spots."""

MAX_BOX_PX = 80_000
"""Largest working box, so that a long coil costs no more than a short wire."""

RING_PX = 4
"""The table is sampled this far outside the piece, in working pixels."""

SHIFTED_BY_RG = ("log_rg", "near_rg", "high_rg", "low_rg", "wide_rg", "table_rg")
SHIFTED_BY_BG = ("log_bg", "near_bg", "high_bg", "low_bg", "wide_bg", "table_bg")
SHIFTED_BY_LEVEL = (
    "log_y", "near_log_y", "near_peak", "wide_log_y", "wide_peak", "table_log_y"
)  # fmt: skip
"""Features that another white moves by its own logarithm; the rest it leaves alone."""

FEATURES = (
    "log_rg", "log_bg", "log_y",
    "near_rg", "near_bg", "near_log_y", "near_spread", "near_peak",
    "slope_rg", "slope_bg", "high_rg", "high_bg", "low_rg", "low_bg",
    "colour_spread", "grain", "clipped", "dark",
    "wide_rg", "wide_bg", "wide_log_y", "wide_spread", "wide_peak", "wide_colour_spread",
    "table_rg", "table_bg", "table_log_y",
)  # fmt: skip
"""Names of the features, in order. ``near`` is a window about as wide as the piece is
narrow, ``wide`` five times that, ``high`` and ``low`` weigh bright and dark pixels."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WorkCopy:
    """A piece on a working copy, small enough to look at each pixel.

    Attributes:
        rgb: ``(h, w, 3)`` uint8 crop around the piece, with a margin of table.
        mask: ``(h, w)`` the piece's own pixels.
        valid: ``(h, w)`` pixels of the piece that are neither clipped nor dark.
        clipped: ``(h, w)`` share of each working pixel that was clipped, 0 to 1.
        dark: ``(h, w)`` share that was too dark.
        origin_px: Photo pixel of the crop's upper left corner, ``(x, y)``.
        factor: Photo pixels per working pixel.
        width_px: Narrow width of the piece, working pixels.
    """

    rgb: Image
    mask: Mask
    valid: Mask
    clipped: Float32Array
    dark: Float32Array
    origin_px: tuple[int, int]
    factor: float
    width_px: float


def narrow_width_px(mask: Mask) -> float:
    """Return how wide a piece is across its narrow way, in pixels of its mask."""
    padded = np.pad(mask.astype(np.uint8), 1)
    depth = cv2.distanceTransform(padded, cv2.DIST_L2, 3)
    inside = depth[depth > 0]
    # On a strip the depth is uniform from 0 to w/2, so its 90th percentile is 0.45 w.
    return float(np.percentile(inside, 90) / 0.45) if inside.size else 1.0


def work_copy(rgb: Image, mask: Mask, box_px: tuple[int, int, int, int]) -> WorkCopy:
    """Return a piece on a working copy whose narrow way is about 12 pixels.

    Args:
        rgb: ``(H, W, 3)`` the whole photo.
        mask: ``(height, width)`` the piece's pixels inside ``box_px``.
        box_px: ``(x, y, width, height)`` of the piece in the photo.
    """
    x, y, w, h = box_px
    coarse = max(1.0, max(w, h) / 512)
    small = mask
    if coarse > 1:
        size = (max(1, round(w / coarse)), max(1, round(h / coarse)))
        small = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_AREA) > 0
    width = narrow_width_px(small) * coarse
    by_width = min(width / TARGET_WIDTH_PX, max(w, h) / LEAST_LONG_SIDE_PX)
    factor = max(1.0, by_width, (w * h / MAX_BOX_PX) ** 0.5)
    margin = int(np.ceil((RING_PX + 3) * factor))
    left, top = max(0, x - margin), max(0, y - margin)
    right = min(rgb.shape[1], x + w + margin)
    bottom = min(rgb.shape[0], y + h + margin)
    # Every stride-th pixel first: two or more a side still average into each one kept.
    stride = max(1, int(factor // 2))
    crop = np.ascontiguousarray(rgb[top:bottom:stride, left:right:stride])
    full = _thinned(mask, (x - left, y - top), (bottom - top, right - left), stride)
    peak = strongest_channel(crop)
    clipped = cv2.threshold(peak, CLIPPED_CODE, 255, cv2.THRESH_BINARY)[1]
    dark = cv2.threshold(peak, DARK_CODE - 1, 255, cv2.THRESH_BINARY_INV)[1]
    if factor > 1:
        size = (max(1, round((right - left) / factor)), max(1, round((bottom - top) / factor)))
        crop, full, clipped, dark = (
            np.asarray(cv2.resize(a, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
            for a in (crop, full, clipped, dark)
        )
    # Only pixels wholly inside: an edge pixel is a mixture with the table.
    inside = full > 242
    if inside.sum() < 0.3 * (full > 127).sum():
        inside = full > 127
    elif width / factor > 5:
        shrunk = cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        inside = shrunk if shrunk.sum() > 0.3 * inside.sum() else inside
    valid = inside & (clipped < 77) & (dark < 128)
    return WorkCopy(
        rgb=np.ascontiguousarray(crop),
        mask=inside,
        valid=valid,
        clipped=(clipped / np.float32(255)).astype(np.float32),
        dark=(dark / np.float32(255)).astype(np.float32),
        origin_px=(left, top),
        factor=float(factor),
        width_px=width / factor,
    )


def _thinned(
    mask: Mask, at: tuple[int, int], shape: tuple[int, int], stride: int
) -> NDArray[np.uint8]:
    """Return a mask laid into a larger frame, 255 inside, every ``stride``-th pixel of it."""
    rows, columns = -(-shape[0] // stride), -(-shape[1] // stride)
    out = np.zeros((rows, columns), np.uint8)
    # First frame pixel on the stride's grid that lies in the mask, along each axis.
    first_x, first_y = -(-at[0] // stride), -(-at[1] // stride)
    part = mask[first_y * stride - at[1] :: stride, first_x * stride - at[0] :: stride]
    out[first_y : first_y + part.shape[0], first_x : first_x + part.shape[1]] = part
    return np.asarray(out * np.uint8(255), dtype=np.uint8)


def pixel_features(
    work: WorkCopy, white: FloatArray, *, at: Mask | None = None, outside: Mask | None = None
) -> Float32Array:
    """Return the features of each valid pixel, ``(valid.sum(), len(FEATURES))``.

    Args:
        work: The piece on its working copy.
        white: ``(3,)`` linear light of a matte white in the photo.
        at: ``(h, w)`` which valid pixels to answer for, all if None.
        outside: ``(h, w)`` table pixels; taken from a ring around the piece if None.
    """
    scaled = np.maximum(to_linear(work.rgb), np.float32(FLOOR_LINEAR)) / white.astype(np.float32)
    log = cv2.log(scaled)
    rg, bg = log[..., 0] - log[..., 1], log[..., 2] - log[..., 1]
    y = scaled @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    log_y = cv2.log(y)
    valid = work.valid.astype(np.float32)
    masked = work.mask.astype(np.float32)
    near = int(np.clip(round(work.width_px), 3, 15)) | 1
    rows, columns = np.nonzero(work.valid if at is None else at & work.valid)

    def mean(plane: Float32Array, side: int) -> Float32Array:
        # A box filter inside the piece only: both sums see the same pixels.
        top = cv2.boxFilter(
            plane, -1, (side, side), normalize=False, borderType=cv2.BORDER_CONSTANT
        )
        return np.asarray(top[rows, columns], dtype=np.float32)

    columns_out: list[Float32Array] = []
    denoised = 3
    count3 = np.maximum(mean(valid, denoised), 1)
    own = [mean(p * valid, denoised) / count3 for p in (rg, bg, log_y)]
    columns_out.extend(own)

    def window(side: int, *, full: bool) -> list[Float32Array]:
        n = np.maximum(mean(valid, side), 1)
        m_rg, m_bg, m_l = (mean(p * valid, side) / n for p in (rg, bg, log_y))
        var_l = np.maximum(mean(log_y * log_y * valid, side) / n - m_l**2, 0)
        squared = y * y * valid
        sum_sq = np.maximum(mean(squared, side), 1e-9)
        peak = np.log(mean(y * y * squared, side) / sum_sq) * 0.5
        var_c = np.maximum(mean((rg * rg + bg * bg) * valid, side) / n - m_rg**2 - m_bg**2, 0)
        out = [m_rg, m_bg, m_l, np.sqrt(var_l), peak, np.sqrt(var_c)]
        if not full:
            return out
        cov = [mean(p * log_y * valid, side) / n - m * m_l for p, m in ((rg, m_rg), (bg, m_bg))]
        # 0.02 keeps the slope near 0 where the window has no contrast to speak of.
        slopes = [c / (var_l + np.float32(0.02)) for c in cov]
        high = [mean(p * squared, side) / sum_sq for p in (rg, bg)]
        inverse = valid / (y + np.float32(0.01))
        sum_inv = np.maximum(mean(inverse, side), 1e-9)
        low = [mean(p * inverse, side) / sum_inv for p in (rg, bg)]
        return [*out, *slopes, *high, *low]

    n_rg, n_bg, n_l, n_spread, n_peak, n_colour, s_rg, s_bg, h_rg, h_bg, l_rg, l_bg = window(
        near, full=True
    )
    grain_plane = cv2.absdiff(log_y, cv2.blur(log_y, (3, 3))) * valid
    area = np.maximum(mean(masked, near), 1)
    columns_out.extend(
        [n_rg, n_bg, n_l, n_spread, n_peak, s_rg, s_bg, h_rg, h_bg, l_rg, l_bg, n_colour]
    )
    columns_out.append(mean(grain_plane, near) / np.maximum(mean(valid, near), 1))
    columns_out.append(mean(work.clipped * masked, near) / area)
    columns_out.append(mean(work.dark * masked, near) / area)
    columns_out.extend(window(min(5 * near, 61) | 1, full=False))
    columns_out.extend(_table(work, rg, bg, log_y, outside, rows.size))
    return np.stack(columns_out, axis=1).astype(np.float32)


def _table(
    work: WorkCopy,
    rg: Float32Array,
    bg: Float32Array,
    log_y: Float32Array,
    outside: Mask | None,
    n: int,
) -> list[Float32Array]:
    """Return the median colour of the table around the piece, the same for each pixel.

    A metal mirrors the table it lies on: grey tin on red wood is not copper.
    """
    if outside is None:
        mask = work.mask.astype(np.uint8)
        size = 2 * (RING_PX + 2) + 1
        grown = cv2.dilate(mask, np.ones((size, size), np.uint8))
        near = cv2.dilate(mask, np.ones((5, 5), np.uint8))
        outside = (grown > 0) & (near == 0)
    if not outside.any():
        outside = ~work.mask
    if not outside.any():
        return [np.zeros(n, np.float32)] * 3
    medians = [float(np.median(plane[outside])) for plane in (rg, bg, log_y)]
    return [np.full(n, m, np.float32) for m in medians]
