"""Was this photo lit by the phone's own flash?

The camera's notes say so. Where a file has lost them, the table does: a lamp beside the lens
lights a level table by the fourth power of the cosine of the angle from straight down (the
inverse square of the distance, and both the lamp's and the table's own aslant), daylight does
not fall off at all or does so to one side.
"""

from __future__ import annotations

from math import exp, hypot

import numpy as np

from vision.photo.colour import to_linear
from vision.photo.loading import FILM_DIAGONAL_MM
from vision.photo.reduced import reduced
from vision.types import FloatArray, Photo

FIRED_P, NOT_FIRED_P = 0.99, 0.01
"""The camera's notes are hardly ever wrong on that; an estimate."""

USUAL_FOCAL_35MM = 26.0
"""Equivalent focal length of a phone's main camera where the file does not say (common
practice, no source)."""

LOOK_PX = 96
"""Long side of the copy that is looked at."""

TABLE_PART = 0.5
"""Share of the photo that is taken for the table: what the falling off explains best."""

ROUNDS = 12

HALF, STEEP = 0.55, 14.0
"""Share of the table's light that falls off like a lamp's at which both are as likely, and how
fast that turns; between what lenses do (up to 0.4) and a flash 1.5 times the daylight (0.6)."""

TOLD_P = (0.03, 0.95)
"""No surer than this by falling off alone: spotlights and lenses that darken corners exist."""

UNTOLD_P = 0.5
"""Where neither the file nor the table tells; who gave it as the photo with the flash is believed
then, and nobody else is told that it is one."""

FITS_WITHIN, FITS_SHARE = 0.08, 0.45
"""The table tells where so much of the photo, and of its outer half, lies so close to what was
fitted, relatively. Of eight flash photos of rendered pairs the least of the whole was 0.47."""

LIT_P = 0.9
"""From here a photo is told as lit by the flash, where nobody said so."""

FLASH_RATE = 0.05
"""How many photos that lost their notes were taken with the flash; an estimate. With it, light
that falls off never reaches ``LIT_P`` by itself: a lens that darkens its corners looks the same
(one of 22 rendered photos by daylight), and daylight must not cost a piece its grade."""


def recognised(photo: Photo) -> float:
    """Return how likely a photo was taken with the flash on."""
    if photo.flash_fired is not None:
        return FIRED_P if photo.flash_fired else NOT_FIRED_P
    share = lamp_share(photo)
    if share is None:
        return UNTOLD_P
    return float(np.clip(1 / (1 + exp(-STEEP * (share - HALF))), *TOLD_P))


def lit_by_itself(photo: Photo) -> float:
    """Return how likely a photo that nobody called the one with the flash was taken with it on.

    By Bayes' rule: where the file does not say, few are.
    """
    p = recognised(photo)
    if photo.flash_fired is not None:
        return p
    lit = p * FLASH_RATE
    return lit / (lit + (1 - p) * (1 - FLASH_RATE))


def lamp_share(photo: Photo) -> float | None:
    """Return which share of the light on the table under the lens falls off like a lamp's there.

    Fitted by least squares beside a level and an even slope, again and again on what fits best:
    things on the table drop out. The outer half must fall off by itself too: something pale in
    the middle of a dark table does not make a flash. None where too little is explained.
    """
    small, factor = reduced(photo.rgb, LOOK_PX)
    light = to_linear(np.ascontiguousarray(small)).max(axis=-1).astype(np.float64)
    h, w = light.shape
    focal = photo.focal_px or USUAL_FOCAL_35MM / FILM_DIAGONAL_MM * hypot(*photo.rgb.shape[:2])
    y, x = (np.mgrid[:h, :w] - np.array([[[(h - 1) / 2]], [[(w - 1) / 2]]])) * factor / focal
    fall = (1 / (1 + x**2 + y**2)) ** 2
    seen = np.maximum(light.ravel(), 0.01)
    # Over the light itself, so that a dark corner counts as much as a bright middle.
    parts = np.stack([np.ones_like(x), x, y, fall], axis=-1).reshape(-1, 4) / seen[:, None]
    outer = fall.ravel() < np.median(fall)
    shares = [_fitted(parts, seen), _fitted(parts[outer], seen[outer])]
    return None if None in shares else min(share for share in shares if share is not None)


def _fitted(parts: FloatArray, seen: FloatArray) -> float | None:
    """Return the falling share of ``(n,)`` light by its ``(n, 4)`` parts over it."""
    kept = seen >= np.median(seen)
    found, error = np.zeros(4), np.ones(len(seen))
    for _ in range(ROUNDS):
        found = np.linalg.lstsq(parts[kept], np.ones(kept.sum()), rcond=None)[0]
        error = np.abs(1 - parts @ found)
        kept = error <= np.quantile(error, TABLE_PART)
    if (error < FITS_WITHIN).mean() < FITS_SHARE:
        return None
    level, falling = max(float(found[0]), 0.0), float(found[3])
    return falling / (level + falling) if falling > 0 else 0.0
