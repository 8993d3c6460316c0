"""Is the piece round or flat? What its ends and its shading say.

A tube's cut end is a circle: seen from an angle it bulges past the corners, at both ends
alike. A flat offcut's ends are straight, however slanted. And light falls off round a
cylinder in the same way all along it, while a sheet is lit evenly across or buckles at
random.
"""

from __future__ import annotations

import cv2
import numpy as np

from vision.types import Float32Array, FloatArray, Mask, Photo, Region
from vision.width.profiles import quickly_at

END_ROWS = 17
"""Places across an end at which it is looked how far the piece reaches."""

END_USED = 0.85
"""Share of the half-width in which an end is looked at: corners are rounded by the mask."""

BULGE_RANGE = (-0.1, 0.2)
"""Sagitta over width that is told apart: a circle seen at 23 degrees from its plane's
normal bulges by 0.2; more is a bend that runs out of the rectangle, not an end."""

BULGE_UNKNOWN = 0.05
"""Between the two: rendered sheets bulge by -0.02 to 0.04, short tubes by 0.04 to 0.2."""

SHADE_USED = 0.40
"""Columns within this share of the width from the middle; rims belong to the outline."""

SHADE_WINDOW_WIDTHS = 2.0
SHADE_SAMPLES = 96
"""Samples along the longer side of a piece that is looked at as a rectangle."""

LOG_FLOOR = 0.01
"""Linear light added before the logarithm: code 26 of 255, under which phones show noise."""


def end_bulge(mask: Mask) -> float:
    """Return how far the ends of a piece bulge outward, as a share of its width.

    The mean of both ends, each held to ``BULGE_RANGE``; ``BULGE_UNKNOWN`` where no end
    is seen. The axis is that of the tightest rectangle, so a bent piece says little.

    Args:
        mask: ``(h, w)`` bool.
    """
    contours, _ = cv2.findContours(
        np.ascontiguousarray(mask, np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    if not contours:
        return BULGE_UNKNOWN
    outline = max(contours, key=cv2.contourArea)
    centre, along, across, length, width = _rectangle(outline)
    points = outline[:, 0] - centre
    u, v = points @ along, points @ across
    found = [
        _bulge(side * u[at], v[at]) for side in (-1, 1) for at in [side * u > length / 2 - width]
    ]
    known = [np.clip(b, *BULGE_RANGE) for b in found if b is not None]
    return float(np.mean(known)) if known else BULGE_UNKNOWN


def _rectangle(outline: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, float, float]:
    """Return centre, unit vectors along and across, length and width of the tightest one."""
    (x, y), (length, width), angle_deg = cv2.minAreaRect(outline)
    if length < width:
        length, width, angle_deg = width, length, angle_deg + 90
    turn = np.radians(angle_deg)
    along = np.array([np.cos(turn), np.sin(turn)])
    return np.array([x, y]), along, np.array([-along[1], along[0]]), length, width


def _bulge(reach: FloatArray, across: FloatArray) -> float | None:
    """Return the sagitta over the width of one end: a parabola through how far it reaches."""
    if len(across) < END_ROWS:
        return None
    middle, half = (across.max() + across.min()) / 2, max(float(np.ptp(across)) / 2, 1e-6)
    t = (across - middle) / half
    row = np.floor((t / END_USED + 1) / 2 * END_ROWS).astype(int)
    rows = [k for k in range(END_ROWS) if np.any(row == k)]
    if len(rows) < END_ROWS // 2:
        return None
    at = (2 * (np.array(rows) + 0.5) / END_ROWS - 1) * END_USED
    far = np.array([reach[row == k].max() for k in rows])
    fit = np.polyfit(at, far, 2)
    rest = np.abs(far - np.polyval(fit, at))
    kept = rest < 2.5 * np.median(rest) + 1e-6
    if kept.sum() > 6:
        fit = np.polyfit(at[kept], far[kept], 2)
    return float(-fit[0] / (2 * half))


def shading(light: Float32Array, *, width_px: float) -> float:
    """Return how strongly the light changes across a piece in the same way all along it.

    Standard deviation of the mean logarithm of the light over the middle of the width, a
    straight slope taken out: about 0.03 for a flat sheet, 0.1 and more for a cylinder.

    Args:
        light: ``(n, m, 3)`` linear light along the piece and across it, axis in the middle.
        width_px: Width of the piece in its columns.
    """
    logs = np.log(np.maximum(light.mean(axis=2), 0) + LOG_FLOOR)
    across = (np.arange(logs.shape[1]) - (logs.shape[1] - 1) / 2) / width_px
    used = np.abs(across) <= SHADE_USED
    if used.sum() < 3:
        return 0.0
    windows = max(1, int(len(logs) / (SHADE_WINDOW_WIDTHS * width_px)))
    profiles = np.array([part[:, used].mean(axis=0) for part in np.array_split(logs, windows)])
    profile = np.median(profiles - profiles.mean(axis=1, keepdims=True), axis=0)
    slope = np.polyfit(across[used], profile, 1)
    return float(np.std(profile - np.polyval(slope, across[used])))


def as_rectangle(photo: Photo, region: Region) -> tuple[Float32Array, float]:
    """Return the light in the tightest rectangle around a piece, laid out straight.

    For pieces too short to have a centre line. What lies in the rectangle but not on the
    piece takes the mean light of the piece's row.

    Returns:
        ``(n, m, 3)`` linear light along and across, and the width in its columns.
    """
    outline = np.asarray(region.outline_px, np.float32)[:, None]
    centre, along, across, length, width = _rectangle(outline)
    step = max(length / SHADE_SAMPLES, 1.0)
    rows, columns = (max(4, round(size / step)) for size in (length, width))
    u = ((np.arange(rows) + 0.5) / rows - 0.5) * length
    v = ((np.arange(columns) + 0.5) / columns - 0.5) * width
    at = centre + u[:, None, None] * along + v[None, :, None] * across
    light = quickly_at(photo, at, step_px=step)
    inside = at - np.array(region.box_px[:2])
    own = cv2.remap(
        region.mask.astype(np.uint8),
        inside[..., 0].astype(np.float32),
        inside[..., 1].astype(np.float32),
        cv2.INTER_NEAREST,
    )[..., None]
    mean = (light * own).sum(axis=1, keepdims=True) / np.maximum(own.sum(axis=1, keepdims=True), 1)
    return np.where(own > 0, light, mean).astype(np.float32), float(columns)
