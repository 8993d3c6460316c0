"""Draw a cable whose end is fanned out, its strands of known width, as a photo shows it.

The light on metal and table is that of ``drawn_wire``; strands leave a bundle where they
lie side by side and two deep, and part along smooth curves.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from tests.vision.drawn_wire import (
    Floats,
    Look,
    body_light,
    encoded,
    photo_of,
    region_of,
    rough,
    table_light,
)
from vision.types import Photo, Region

FAN_SIZE = (560, 420)
BUNDLE_END_PX = 200.0
TIP_PX = 500.0


def fan_curves(strands: int, width_px: float, *, apart: float, seed: int = 0) -> list[Floats]:
    """Return for each strand its height (y) at every x of a photo as wide as ``FAN_SIZE``.

    Args:
        strands: How many.
        width_px: Of each.
        apart: How far the tips are apart, in widths; 1 stays a tight bundle.
        seed: Of how each bends.
    """
    rng = np.random.default_rng(seed)
    x = np.arange(FAN_SIZE[0], dtype=np.float64)
    way = np.clip((x - BUNDLE_END_PX) / (TIP_PX - BUNDLE_END_PX), 0, 1.3)
    middle = FAN_SIZE[1] / 2 + 0.3
    curves = []
    for k in range(strands):
        place = k - (strands - 1) / 2
        packed = place * width_px / 2  # two deep: half a width from one to the next
        wave = rng.normal(0, 0.4) * width_px * np.sin(np.pi * np.minimum(way, 1)) * (apart > 1)
        curves.append(middle + packed + place * (apart - 0.5) * width_px * way**2 + wave)
    return curves


def draw_fan(
    curves: Sequence[Floats],
    width_px: float,
    look: Look,
    *,
    start_px: float = 40.0,
    tips_px: Sequence[float] | None = None,
    size: tuple[int, int] = FAN_SIZE,
    turn_deg: float = 0.0,
    seed: int = 0,
    over: int = 2,
) -> tuple[Photo, Region]:
    """Return a photo of strands along curves ``y(x)`` and a rough region of all of them.

    Args:
        curves: Height at every whole x, one a strand; later ones lie on top.
        width_px: True width of each strand.
        look: Metal, light and camera.
        start_px: Where the strands begin in x.
        tips_px: Where each ends in x.
        size: Photo width and height.
        turn_deg: The whole is turned by so much about the photo's middle.
        seed: Of texture, noise and the mask's faults.
        over: Each pixel is the mean of this many squared samples.
    """
    rng = np.random.default_rng(seed)
    w, h = size
    px, py = np.meshgrid(
        (np.arange(w * over, dtype=np.float32) + 0.5) / over - 0.5,
        (np.arange(h * over, dtype=np.float32) + 0.5) / over - 0.5,
    )
    a = np.deg2rad(turn_deg)
    x = np.cos(a) * (px - w / 2) + np.sin(a) * (py - h / 2) + w / 2
    y = -np.sin(a) * (px - w / 2) + np.cos(a) * (py - h / 2) + h / 2
    tips = [TIP_PX] * len(curves) if tips_px is None else tips_px
    light = np.broadcast_to(look.table, (*x.shape, 3)).astype(np.float32).copy()
    metal = np.zeros(x.shape, bool)
    whole = np.arange(w, dtype=np.float64)
    for curve, tip in zip(curves, tips, strict=True):
        slope = np.gradient(curve)
        away = y - np.interp(x, whole, curve)
        near = (np.abs(away) < 6 * width_px) & (x > start_px) & (x < tip)
        across = away[near] / np.hypot(1, np.interp(x[near], whole, slope)) / (width_px / 2)
        solid = np.abs(across) <= 1
        spot, under = light[near], metal[near]
        shade = (table_light(across, look) / look.table).astype(np.float32)
        beside = ~solid & ~under
        spot[beside] *= shade[beside]
        spot[solid] = body_light(across[solid], look)
        light[near], metal[near] = spot, under | solid
    light = np.asarray(cv2.resize(light, (w, h), interpolation=cv2.INTER_AREA))
    share = cv2.resize(metal.astype(np.float32), (w, h), interpolation=cv2.INTER_AREA)
    mask = share > 0.5
    grain = cv2.GaussianBlur(rng.normal(size=(h, w)), (0, 0), 1.5)
    light = light * np.where(mask, 1, 1 + look.texture * grain / grain.std())[..., None]
    light = np.asarray(cv2.GaussianBlur(light, (0, 0), look.blur_px))
    code = 255 * encoded(light) + rng.normal(size=light.shape) * 255 * look.noise
    rgb = np.clip(np.round(code), 0, 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, look.quality])
    decoded = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))
    # A finder's outline closes narrow gaps.
    closed = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((7, 7), np.uint8))
    outline = rough(closed > 0, rng)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(outline.astype(np.uint8))
    outline = labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    return photo_of(np.ascontiguousarray(decoded[..., ::-1])), region_of(outline)
