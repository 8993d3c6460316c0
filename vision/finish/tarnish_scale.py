"""What copper looks like from fresh to black-brown: reference surfaces to compare with.

Rendered, not photographed: the metal by its optical constants under an oxide film
(:mod:`vision.finish.film`), thick corrosion as a diffuse brown over it, both lit on a round
bar by a window and the sky. A screen is no colour standard: it is a scale to point at.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from vision.finish.film import film_rgb
from vision.photo.colour import from_linear
from vision.types import FloatArray, Image

# Level, film of Cu2O in nm, weight of the diffuse brown over the film, metallic share. The
# recipe renders by this table too: it is the scale the surface network was taught on.
LEVELS = np.array(
    [
        [0.00, 0.0, 0.00, 1.00],
        [0.12, 5.5, 0.02, 0.98],
        [0.25, 11.0, 0.12, 0.92],
        [0.38, 16.0, 0.38, 0.78],
        [0.50, 22.0, 0.65, 0.60],
        [0.75, 30.0, 1.00, 0.35],
        [1.00, 30.0, 1.00, 0.22],
    ]
)
_RED_BROWN = np.array([0.320, 0.152, 0.088])
_DARK_BROWN = np.array([0.1105, 0.065, 0.0442])
_BLACK_BROWN = np.array([0.036, 0.0288, 0.024])
_GREENS = np.array([[0.16, 0.40, 0.30], [0.42, 0.64, 0.54], [0.14, 0.30, 0.20]])
"""Diffuse colours of thick corrosion, linear: by eye from photographs of old copper, no
measured table was found (as in the recipe)."""

FILM_SPREAD = 0.35
"""Films are never even: relative deviation of the thickness within what the eye parts."""


def surface_colours(levels: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return linear sRGB ``(n, 3)`` and metallic share ``(n,)`` of tarnish levels 0 to 1."""
    levels = np.asarray(levels, np.float64)
    nm = np.interp(levels, LEVELS[:, 0], LEVELS[:, 1])
    weight = np.interp(levels, LEVELS[:, 0], LEVELS[:, 2])[:, None]
    metallic = np.interp(levels, LEVELS[:, 0], LEVELS[:, 3])
    around = np.linspace(-2, 2, 9)
    share = np.exp(-0.5 * around**2) / np.exp(-0.5 * around**2).sum()
    film = np.zeros((len(levels), 3))
    for offset, part in zip(around, share, strict=True):
        thick = np.maximum(nm * (1 + FILM_SPREAD * offset), 0)
        film += part * np.maximum(film_rgb(thick), 0)
    dark = np.clip((levels - 0.5) / 0.25, 0, 1)[:, None]
    black = np.clip((levels - 0.75) / 0.25, 0, 1)[:, None]
    brown = _RED_BROWN * (1 - dark) + _DARK_BROWN * dark
    brown = brown * (1 - black) + _BLACK_BROWN * black
    return film * (1 - weight) + brown * weight, metallic


@cache
def tarnish_bar(width_px: int, height_px: int) -> Image:
    """Return a round bar whose tarnish grows from 0 at the left edge to 1 at the right.

    Returns:
        ``(height_px, width_px, 3)`` uint8, sRGB; not to be written to.
    """
    rng = np.random.default_rng(5)
    levels = np.linspace(0, 1, width_px)
    # Tarnish is patchy: each spot is a little ahead or behind, more so half way.
    patches = cv2.GaussianBlur(rng.normal(size=(height_px, width_px)), (0, 0), 5)
    patches = patches + 0.6 * cv2.GaussianBlur(rng.normal(size=(height_px, width_px)), (0, 0), 1.2)
    patches = patches * (0.035 / patches.std())
    own = np.clip(levels[None] + patches * (4 * levels * (1 - levels))[None], 0, 1)
    steps = 400
    table, shares = surface_colours(np.linspace(0, 1, steps + 1))
    index = np.round(own * steps).astype(int)
    return _lit(table[index], shares[index], rng)


@cache
def green_bar(width_px: int, height_px: int) -> Image:
    """Return a round bar with green corrosion, which is no level but a finish of its own."""
    rng = np.random.default_rng(9)
    brown, _ = surface_colours(np.array([0.6]))
    cover = cv2.GaussianBlur(rng.normal(size=(height_px, width_px)), (0, 0), 6)
    shade = cv2.GaussianBlur(rng.normal(size=(height_px, width_px)), (0, 0), 14)
    share = 1 / (1 + np.exp(-3 * (cover / cover.std() + 0.5)))[..., None]
    which = np.interp(shade / shade.std(), [-1.5, 0, 1.5], [0, 1, 2])
    low = np.clip(which.astype(int), 0, 1)
    rest = (which - low)[..., None]
    green = _GREENS[low] * (1 - rest) + _GREENS[low + 1] * rest
    colour = green * share + brown[0] * (1 - share)
    return _lit(colour, 0.3 * (1 - share[..., 0]), rng)


def _lit(base: FloatArray, metallic: FloatArray, rng: np.random.Generator) -> Image:
    """Light a bar that lies across the picture: diffuse sky, and a window mirrored in it."""
    height, width = base.shape[:2]
    across = np.linspace(-0.97, 0.97, height)
    turn = np.arcsin(across)  # of the surface's normal, towards the viewer at 0
    sky = 0.35 + 0.65 * np.maximum(np.cos(turn + 0.55), 0)
    mirrored = 2 * turn
    window = np.exp(-0.5 * ((mirrored + 0.95) / 0.30) ** 2)
    room = 0.42 + 0.30 * np.cos(mirrored + 0.4)
    grain = 1 + 0.05 * cv2.GaussianBlur(rng.normal(size=(height, width)), (0, 0), 14, sigmaY=0.7)
    shine = (room + 1.1 * window)[:, None] * grain
    light = metallic * shine + (1 - metallic) * sky[:, None] * 1.25
    return from_linear(base * light[..., None])
