"""What colour is a pixel, in numbers that mean light?

A photo's codes are sRGB: bent by a curve, so that neither averages nor ratios of
them mean anything. Here they become linear light. Everything is float32 and vectorised:
give it crops, not 12 megapixels.

Sources: IEC 61966-2-1:1999 (sRGB curve and primaries); SMPTE EG 432-1 primaries with
the D65 white and sRGB curve (Display P3).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.types import Float32Array, FloatArray, Image

D65_XY = (0.3127, 0.3290)
"""Chromaticity of the white of both sRGB and Display P3 (IEC 61966-2-1)."""

SRGB_PRIMARIES_XY = ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060))
"""Chromaticities of sRGB's red, green and blue (IEC 61966-2-1, the same as BT.709)."""

DISPLAY_P3_PRIMARIES_XY = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))
"""Chromaticities of Display P3's red, green and blue (SMPTE EG 432-1)."""

SRGB_LINEAR_BELOW = 0.04045
"""Codes (0 to 1) up to here lie on the straight part of the curve (IEC 61966-2-1)."""

_ROWS_AT_ONCE = 64
"""Whole photos are converted in strips of so many rows, which stay in the cache."""


def _rgb_to_xyz_matrix(primaries_xy: tuple[tuple[float, float], ...]) -> FloatArray:
    """Return the ``(3, 3)`` matrix from linear RGB of these primaries, D65 white, to XYZ."""
    columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in primaries_xy]).T
    x, y = D65_XY
    white = np.array([x / y, 1.0, (1 - x - y) / y])
    return np.asarray(columns * np.linalg.solve(columns, white), dtype=np.float64)


SRGB_TO_XYZ: FloatArray = _rgb_to_xyz_matrix(SRGB_PRIMARIES_XY)
"""Linear sRGB to CIE XYZ, Y = 1 for white."""

DISPLAY_P3_TO_SRGB: FloatArray = np.linalg.inv(SRGB_TO_XYZ) @ _rgb_to_xyz_matrix(
    DISPLAY_P3_PRIMARIES_XY
)
"""Linear Display P3 to linear sRGB; both share the white, so no adaptation."""

LUMINANCE: FloatArray = SRGB_TO_XYZ[1]
"""Weights of linear R, G, B in the luminance Y."""


def _curve_to_linear(code: FloatArray) -> FloatArray:
    bent = ((code + 0.055) / 1.055) ** 2.4
    return np.where(code <= SRGB_LINEAR_BELOW, code / 12.92, bent)


def _curve_from_linear(light: FloatArray) -> FloatArray:
    bent = 1.055 * light ** (1 / 2.4) - 0.055
    return np.where(light <= SRGB_LINEAR_BELOW / 12.92, light * 12.92, bent)


_TO_LINEAR = _curve_to_linear(np.arange(256) / 255).astype(np.float32)
_TO_LINEAR_16 = np.round(_curve_to_linear(np.arange(256) / 255) * 65535).astype(np.uint16)
_FROM_LINEAR = np.round(255 * _curve_from_linear(np.arange(65536) / 65535)).astype(np.uint8)


def to_linear(codes: Image) -> Float32Array:
    """Return the linear light, 0 to 1, of sRGB codes of any shape.

    Args:
        codes: uint8, any shape; ``(h, w, 3)`` is the quick one.

    >>> [f"{light:.3f}" for light in to_linear(np.array([0, 118, 255], np.uint8))]
    ['0.000', '0.181', '1.000']
    """
    if codes.ndim == 3 and codes.size and codes.shape[2] <= 4:
        return np.asarray(cv2.LUT(codes, _TO_LINEAR), dtype=np.float32).reshape(codes.shape)
    return np.asarray(_TO_LINEAR[codes], dtype=np.float32)


def linear_between(rgb: Image, points_px: FloatArray) -> Float32Array:
    """Return the linear light between the pixels, bilinear; beyond the photo its border goes on.

    Codes are decoded before they are mixed: the light half way from black to white is not that
    of the half-way code.

    Args:
        rgb: ``(h, w, 3)`` uint8 sRGB.
        points_px: ``(..., 2)``, at least two axes.

    Returns:
        ``(..., 3)``.
    """
    if not points_px.size:
        return np.zeros((*points_px.shape[:-1], 3), np.float32)
    height, width = rgb.shape[:2]
    x, y = (points_px[..., k].reshape(len(points_px), -1) for k in (0, 1))
    x, y = np.clip(x, 0, width - 1), np.clip(y, 0, height - 1)
    left, top = np.minimum(np.floor(x), width - 2), np.minimum(np.floor(y), height - 2)
    across, down = (cv2.merge([share.astype(np.float32)] * 3) for share in (x - left, y - top))
    # Only the part in question: OpenCV reads no picture of more than 32766 px a side.
    x0, y0 = int(left.min()), int(top.min())
    part = rgb[y0 : int(top.max()) + 2, x0 : int(left.max()) + 2]
    left, top = (left - x0).astype(np.float32), (top - y0).astype(np.float32)

    def seen(dx: int, dy: int) -> Float32Array:
        codes = cv2.remap(part, left + dx, top + dy, cv2.INTER_NEAREST)
        return to_linear(np.asarray(codes, dtype=np.uint8))

    def mixed(one: Float32Array, other: Float32Array, share: Float32Array) -> Float32Array:
        other -= one
        other *= share
        other += one
        return other

    upper, lower = (mixed(seen(0, dy), seen(1, dy), across) for dy in (0, 1))
    return mixed(upper, lower, down).reshape(*points_px.shape[:-1], 3)


def from_linear(light: NDArray[np.floating[Any]]) -> Image:
    """Return sRGB codes of linear light; what lies outside 0 to 1 is clipped.

    Args:
        light: Any float, any shape. The answer is within half a code.
    """
    scaled = np.clip(light, 0.0, 1.0) * np.float32(65535) + np.float32(0.5)
    return np.asarray(_FROM_LINEAR[scaled.astype(np.uint16)], dtype=np.uint8)


def luminance(linear: NDArray[np.floating[Any]]) -> Float32Array:
    """Return the luminance Y, 0 to 1, of ``(..., 3)`` linear light."""
    return np.asarray(linear @ LUMINANCE.astype(np.float32), dtype=np.float32)


def strongest_channel(rgb: Image) -> NDArray[np.uint8]:
    """Return the largest of the three codes of each pixel; numpy takes 20 times as long."""
    red, green, blue = (cv2.extractChannel(rgb, k) for k in range(3))
    return np.asarray(cv2.max(cv2.max(red, green), blue), dtype=np.uint8)


def display_p3_to_srgb(rgb: Image) -> Image:
    """Return a Display P3 photo in sRGB; colours outside sRGB are clipped per channel.

    Args:
        rgb: ``(h, w, 3)`` uint8, Display P3 codes.
    """
    matrix = DISPLAY_P3_TO_SRGB.astype(np.float32)
    out = np.empty_like(rgb)
    for top in range(0, rgb.shape[0], _ROWS_AT_ONCE):
        strip = slice(top, top + _ROWS_AT_ONCE)
        # OpenCV rounds and clips 16-bit results itself: half the time of floats.
        light = cv2.transform(cv2.LUT(rgb[strip], _TO_LINEAR_16), matrix)
        out[strip] = cv2.LUT(light, _FROM_LINEAR)
    return out
