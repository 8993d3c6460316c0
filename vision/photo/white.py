"""What colour is the light, and how bright is a matte white in it?

Best is a white surface of the reference. Without one the scene has to tell, and
the answer is only a guess: a phone has already balanced its photo, so the guess is
pulled towards "already balanced" and its doubt is stated wide.

Sources: grey edge (van de Weijer, Gevers & Gijsenij, IEEE Trans. Image Process. 16
(2007) 2207) and shades of grey (Finlayson & Trezzi, 2004) for the scene; the
shrinking is an ordinary precision-weighted mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np

from vision.photo.colour import luminance, strongest_channel, to_linear, weakest_channel
from vision.photo.reduced import reduced
from vision.types import FloatArray, Mask, Photo, Scale

WORK_LONG_SIDE_PX = 256
"""The light is estimated on a copy this long: it varies slowly."""

CLIPPED_CODE = 250
DARK_CODE = 12
"""Codes above and below tell more about the sensor than about the light."""

U_REFERENCE = 0.03
"""Doubt of a reference's white, as a log ratio of channels: paper and card whites
differ by 2 to 4 % in blue over green (common practice, no source)."""

U_REFERENCE_LEVEL = 0.12
"""Doubt of the reference white's brightness at the piece: a lamp's falloff over a hand's width."""

U_BALANCED = 0.10
"""Spread of a phone photo's own balance error, log ratio: 5 to 6 degrees of angular
error is about 0.1, the size that statistics-based methods leave."""

U_BRIGHT = 0.12
U_EDGES = 0.20
"""Spread of the two scene cues, log ratio; wide, since tables have colours of their own."""

U_LEAST_SCENE = 0.085
"""No scene tells the light better than this, however well its cues agree."""

U_SCENE_LEVEL = 0.45
"""Doubt of the white's brightness from a scene without a known white, as a logarithm."""

NEAR_NEUTRAL = 0.30
"""Bright pixels further than this from grey, log ratio, are coloured things, not whites."""

MIN_BRIGHT_SHARE = 0.02
"""The bright surface must cover this much of the scene to count as one."""

BLOWN_CODE = 245
BLOWN_SHARE = 0.15
"""So much of the scene with all channels at the top is a white background, overexposed."""


class WhiteOrigin(StrEnum):
    """Where the white comes from."""

    REFERENCE = "reference"
    SCENE = "scene"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WhiteEstimate:
    """A matte white as the photo would show it.

    Attributes:
        rgb: ``(3,)`` linear light.
        u: Standard uncertainty of the log ratios red/green and blue/green.
        u_level: Standard uncertainty of the logarithm of its brightness.
        origin: Seen on the reference, or guessed from the scene.
    """

    rgb: FloatArray
    u: float
    u_level: float
    origin: WhiteOrigin


def estimate_white(
    photo: Photo, scale: Scale | None = None, exclude: Sequence[Mask] = ()
) -> WhiteEstimate:
    """Return the colour of a matte white in this photo.

    Args:
        photo: The photo.
        scale: With a white, that is the answer; otherwise its outlines are left out.
        exclude: Masks at photo resolution of what must not speak for the light (the
            pieces). Copper-coloured pixels are left out in any case.
    """
    if scale is not None and scale.white is not None:
        white = np.asarray(scale.white, dtype=np.float64)
        if np.isfinite(white).all() and white.min() > 0:
            return WhiteEstimate(
                rgb=white, u=U_REFERENCE, u_level=U_REFERENCE_LEVEL, origin=WhiteOrigin.REFERENCE
            )
    return _scene_white(photo, scale, exclude)


def _scene_white(photo: Photo, scale: Scale | None, exclude: Sequence[Mask]) -> WhiteEstimate:
    small, factor = reduced(photo.rgb, WORK_LONG_SIDE_PX)
    size = (small.shape[1], small.shape[0])
    peak = strongest_channel(small)
    usable = (peak <= CLIPPED_CODE) & (peak >= DARK_CODE)
    for mask in exclude:
        shrunk = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
        usable &= shrunk == 0
    if scale is not None:
        hole = np.zeros(small.shape[:2], np.uint8)
        for outline in scale.outlines_px:
            cv2.fillPoly(hole, [np.round(outline / factor).astype(np.int32)], (1,))
        usable &= hole == 0
    linear = np.maximum(to_linear(small), np.float32(1e-4))
    logs = cv2.log(linear)
    ratios = logs[..., [0, 2]] - logs[..., 1:2]
    # Copper, its brown and warm wood lie at red > green > blue; they would pull the
    # light towards orange and themselves towards grey.
    copper = (ratios[..., 0] > 0.18) & (ratios[..., 1] < -0.15)
    usable &= ~copper
    bright = luminance(linear)

    # Start from "already balanced": the prior.
    precision = U_BALANCED**-2
    weighted = np.zeros(2)
    level = 0.65  # Mean scenes are exposed to about 0.2, and reflect about 0.3 of a white.
    u_level = U_SCENE_LEVEL
    if usable.sum() >= MIN_BRIGHT_SHARE * usable.size:
        top = usable & (bright >= np.percentile(bright[usable], 85))
        neutral = top & (np.hypot(ratios[..., 0], ratios[..., 1]) < NEAR_NEUTRAL)
        if neutral.sum() >= MIN_BRIGHT_SHARE * usable.size:
            weighted += np.median(ratios[neutral], axis=0) * U_BRIGHT**-2
            precision += U_BRIGHT**-2
            level = float(np.clip(np.percentile(bright[neutral], 90), 0.35, 1.0))
            # A large bright near-neutral surface is most often paper or a light table.
            u_level = U_SCENE_LEVEL * 0.7
        edges = _edge_ratios(linear, usable)
        if edges is not None:
            weighted += edges * U_EDGES**-2
            precision += U_EDGES**-2
    blown = float((weakest_channel(small) >= BLOWN_CODE).mean())
    if blown >= BLOWN_SHARE:
        # A burnt-out white background: its colour is lost but was near the balance.
        precision += U_EDGES**-2
        level, u_level = 1.0, U_SCENE_LEVEL * 0.7
    ratio = weighted / precision
    rgb = np.array([np.exp(ratio[0]), 1.0, np.exp(ratio[1])])
    rgb *= level / float(luminance(rgb[None])[0])
    u = max(precision**-0.5, U_LEAST_SCENE)
    return WhiteEstimate(rgb=rgb, u=u, u_level=u_level, origin=WhiteOrigin.SCENE)


def _edge_ratios(linear: FloatArray, usable: Mask) -> FloatArray | None:
    """Return the light's log ratios by grey edge (order 1, norm 6), None without edges."""
    inside = cv2.erode(usable.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    if inside.sum() < 200:
        return None
    smooth = cv2.GaussianBlur(linear, (0, 0), 1.0)
    across, down = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    squared = (across * across + down * down)[inside].astype(np.float64)
    norm = np.mean(squared * squared * squared, axis=0) ** (1 / 6)
    if norm.min() <= 1e-6:
        return None
    found = np.array([np.log(norm[0] / norm[1]), np.log(norm[2] / norm[1])])
    # A single coloured edge can dominate the norm; it must not drag the light along.
    return np.asarray(np.clip(found, -0.3, 0.3), dtype=np.float64)
