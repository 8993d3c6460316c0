"""Is this one limb, or wire wound on itself?

The outline of a coil or of a tangle is as wide as many turns together; its width says
nothing of the wire. Two things give them away here: turns laid side by side stripe the
piece at even steps along its line, square to it; and wound wire closes on itself, so its
mask has eyes, and the longest way along its middle leaves much of it out. A third is what
the piece looks like, which is weighed with its form (:func:`vision.pieces.form.heap_p`).
"""

from __future__ import annotations

import cv2
import numpy as np

from vision.pieces.centreline import CentreLine
from vision.types import Photo, Region

CLOSED_PATH_SHARE = 0.6
"""Of 27 rendered coils and tangles 17 had an eye and less of their middle on the longest
way (rings 0.44, tangles 0.18 to 0.56); of some 250 other pieces none had both."""

SQUAT_PATH_SHARE = 0.55

SQUAT_WIDTHS = 4.0
"""A filled tangle is a disc: its middle has no one way, and it is little longer than wide."""

STRIPES_CORRELATION = 0.5
"""Coils seen from the side repeat at 0.9; some 250 other pieces stayed under 0.38."""

STRIPES_CONTRAST = 0.08
"""Least spread of the stripes in logarithms of the code; the two coils had 0.16 and 0.43,
noise without stripes does not repeat."""

BAND_WIDTHS = 0.25
"""Stripes are looked for this far to both sides of the middle: the slanted grooves of a
cable wash out over it, turns do not."""

LEAST_PERIOD_PX = 3

MOST_PERIOD_WIDTHS = 1.0


def is_wound(photo: Photo, line: CentreLine, *, region: Region | None = None) -> bool:
    """Return whether a piece is wound: no outline of it is the wire's own.

    Args:
        photo: The photo.
        line: Along the middle of the piece.
        region: The piece; where it is squat its middle line runs askew, and turns are
            looked for along its tightest rectangle too.
    """
    if closes_on_itself(line) or stripes(photo, line) > STRIPES_CORRELATION:
        return True
    if region is None:
        return False
    squat = line.length_px <= SQUAT_WIDTHS * 2 * line.radius_px
    return squat and stripes(photo, axis_line(region)) > STRIPES_CORRELATION


def axis_line(region: Region) -> CentreLine:
    """Return the long axis of the tightest rectangle around a piece, in steps of a pixel."""
    outline = np.asarray(region.outline_px, np.float32)[:, None]
    (x, y), (length, width), angle_deg = cv2.minAreaRect(outline)
    # The outline runs through the middles of pixels: a speck has no extent by it.
    length, width = max(length, 1.0), max(width, 1.0)
    if length < width:
        length, width, angle_deg = width, length, angle_deg + 90
    length, width = max(length, 1.0), max(width, 1.0)  # a speck is a pixel, not nothing
    along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    at = np.arange(0.0, length + 1e-9) - length / 2
    return CentreLine(
        points_px=np.array([x, y]) + at[:, None] * along,
        tangents=np.repeat(along[None], len(at), axis=0),
        radius_px=width / 2,
        radii_px=np.full(len(at), width / 2),
        step_px=1.0,
    )


def closes_on_itself(line: CentreLine) -> bool:
    """Return whether the line leaves much of a mask's middle out, round an eye or in a disc."""
    if line.eyes > 0:
        return line.path_share < CLOSED_PATH_SHARE
    squat = line.length_px < SQUAT_WIDTHS * 2 * line.radius_px
    return squat and line.path_share < SQUAT_PATH_SHARE


def stripes(photo: Photo, line: CentreLine) -> float:
    """Return how evenly stripes square to the line repeat: 0 not at all, 1 perfectly.

    The highest autocorrelation of the lightness along the middle, past its first zero,
    at steps of at most the piece's width.
    """
    width = 2 * line.radius_px
    light = _along_the_middle(photo, line, width)
    if len(light) < 4 * LEAST_PERIOD_PX:
        return 0.0
    even = cv2.GaussianBlur(
        light[None, :], (0, 0), max(width / 2.5, 1.0), borderType=cv2.BORDER_REPLICATE
    )[0]
    rest = light - even
    rest = rest - rest.mean()
    power = float(rest @ rest)
    if np.sqrt(power / len(rest)) < STRIPES_CONTRAST:
        return 0.0
    repeats = np.correlate(rest, rest, "full")[len(rest) - 1 :] / power
    last = int(min(MOST_PERIOD_WIDTHS * width, len(rest) // 3))
    first = max(int(np.argmax(repeats < 0)), LEAST_PERIOD_PX)
    if not np.any(repeats < 0) or first >= last:
        return 0.0
    return float(np.max(repeats[first : last + 1]))


def _along_the_middle(photo: Photo, line: CentreLine, width_px: float) -> np.ndarray:
    """Mean logarithm of the grey code at each px along the line, without its ends."""
    count = int(line.length_px) + 1
    trim = int(min(width_px, count // 5))
    at = np.linspace(0, len(line.points_px) - 1, count)[trim : count - trim]
    known = np.arange(len(line.points_px))
    points, normals = (
        np.column_stack([np.interp(at, known, part[:, k]) for k in (0, 1)])
        for part in (line.points_px, line.normals)
    )
    offsets = np.linspace(-BAND_WIDTHS, BAND_WIDTHS, 7) * width_px
    where = (points[:, None] + offsets[None, :, None] * normals[:, None]).astype(np.float32)
    x, y = where[..., 0], where[..., 1]
    # Only the piece's own box: never a whole photo in grey.
    left, top = max(0, int(x.min())), max(0, int(y.min()))
    crop = photo.rgb[top : int(y.max()) + 2, left : int(x.max()) + 2]
    if crop.size == 0 or len(points) == 0:
        return np.zeros(0)
    grey = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY)
    values = cv2.remap(
        grey, x - np.float32(left), y - np.float32(top), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return np.asarray(np.log(values.mean(axis=1) + 4.0), dtype=np.float64)
