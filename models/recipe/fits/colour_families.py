"""Make the class constants of ``vision/finish/judging.py`` from physics, by Monte Carlo.

Small strips of metal are drawn under random rooms: cylinders, bundles of strands
and flat pieces, whose mirror directions look into lamps, windows, walls and the
table. Reflectances come from measured optical constants (``vision/finish/film.py``: bare
copper, oxide films, brass, neutral metals); diffuse browns and greens, enamel and
plastic from wide random families. A random camera (white balance, exposure, tone
curve, saturation, blur, noise, JPEG) makes codes of them, the features of
``vision/finish/appearance.py`` are taken as from a photo, and a small network of one hidden
layer is fitted. To these strips come pixels of rendered photos (models/recipe/render.py)
with their labels: under the true outline, and under the outline that
``vision/pieces/finding.py`` finds, where pixels of the table learn to be "outside". No real
photo is used: the photos in ``fixtures/`` stay a fair check.

Run from the checkout (about ten minutes on two cores), with folders of rendered
photos that no figure is quoted on::

    python -m models.recipe.fits.colour_families vision/data/colour_families.npz DIR...
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.recipe.look.optics import LEVELS
from rules.errors import PhotoError
from vision.finish.appearance import (
    FEATURES,
    SHIFTED_BY_BG,
    SHIFTED_BY_LEVEL,
    SHIFTED_BY_RG,
    pixel_features,
    work_copy,
)
from vision.finish.film import film_colours, metal_colour
from vision.photo.loading import load_photo_file
from vision.photo.white import estimate_white
from vision.pieces.finding import find_pieces
from vision.reference.scale import detect_scale
from vision.types import FloatArray, Photo, Region

Array = NDArray[np.float64]
Rng = np.random.Generator
CLASSES = ("bright", "tarnished", "green", "coated", "grey", "brass")
OUTSIDE = len(CLASSES)
"""Class of what is not the piece at all; only rendered photos show it."""

OF_SURFACE = np.array([OUTSIDE, OUTSIDE, 0, 1, 2, 3, 3, 4, 5, 4, 4, OUTSIDE])
"""Class of each member of :class:`vision.types.Surface`, in its order."""

PER_PIECE = 60
"""Pixels taken from a rendered piece, outline and white."""

RARE_PER_PIECE = 30
"""Further pixels of grey metal and brass where they are the smaller part of a piece."""

SMALLEST_IOU = 0.3
"""Found outlines that overlap the true one less are of something else."""

RENDERED_WEIGHT = 0.5
"""Strips show more kinds of surface; the renders show how real pieces lie and shade."""

COATED_SHIFT = 0.35
"""Added to the logit of "coated": a coat taken for bare copper costs a bin its grade, and
of 34 coated pieces on rendered photos kept out of the fit 12 were found without it, 16
with it, for two of 84 bare ones lost."""

LEVEL_WEIGHT = 4.0
BRIGHT_BELOW_LEVEL = 0.12  # A film of about 5.5 nm, as in models/recipe/look/optics.py.
HIDDEN = 40
MEMBERS = 3
PRIOR = np.array([0.20, 0.22, 0.11, 0.21, 0.13, 0.13])

_NM = np.arange(0.0, 171.0)
_CU2O = np.clip(film_colours(_NM, oxide="cu2o").linear_rgb, 0.015, 1)
_CUO = np.clip(film_colours(_NM, oxide="cuo").linear_rgb, 0.015, 1)


@dataclass
class Look:
    """What a surface does with light: a metallic mirror, a diffuse body, a clear coat.

    ``mirror`` and ``body`` are linear RGB per pixel; ``metallic`` weighs the mirror.
    """

    label: int
    level: float
    mirror: Array
    body: Array
    metallic: float
    roughness: float
    coat: float = 0.0
    only_round: bool = False
    coat_roughness: float = 0.05


def _film(nm: Array, share_cuo: float) -> Array:
    # No real film is even and clean enough to swallow green wholly: 1 to 2 % of haze.
    nm = np.clip(nm, 0, 170)
    out = np.empty((*nm.shape, 3))
    for c in range(3):
        out[..., c] = (1 - share_cuo) * np.interp(nm, _NM, _CU2O[:, c]) + share_cuo * np.interp(
            nm, _NM, _CUO[:, c]
        )
    return out


def _patches(rng: Rng, shape: tuple[int, int], scale: float) -> Array:
    """Return a smooth random field, about standard normal."""
    field = cv2.GaussianBlur(rng.normal(size=shape), (0, 0), scale, borderType=cv2.BORDER_REFLECT)
    return (field - field.mean()) / (field.std() + 1e-9)


def _hsv(h: float, s: float, v: float) -> Array:
    rgb = cv2.cvtColor(np.array([[[h * 360, s, v]]], np.float32), cv2.COLOR_HSV2RGB)[0, 0]
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4).astype(float)


def draw_look(rng: Rng, label: int, shape: tuple[int, int]) -> Look:
    """Return a random surface of a class."""
    field = _patches(rng, shape, rng.uniform(1, 8))[..., None]
    rough = float(np.exp(rng.uniform(np.log(0.03), np.log(0.55))))
    makers = (_bright, _tarnished, _green, _coated, _grey, _brass)
    return makers[label](rng, label, field, rough)


def _bright(rng: Rng, label: int, field: Array, rough: float) -> Look:
    level = float(rng.uniform(0, BRIGHT_BELOW_LEVEL))
    nm = level / 0.12 * 5.5 + rng.uniform(0, 0.8) * field[..., 0]
    mirror = _film(np.maximum(nm, 0), rng.uniform(0, 0.3))
    # Other copper data lie up to 10 % off (McPeak, Palik), most in the red.
    mirror = mirror * np.exp(rng.normal(0, 0.03, 3))
    return Look(label, level, mirror, 0.4 * mirror, rng.uniform(0.85, 1), rough)


def _tarnished(rng: Rng, label: int, field: Array, rough: float) -> Look:
    body_jitter = np.exp(rng.normal(0, 0.25) + rng.normal(0, 0.1, 3))
    if rng.random() < 0.12:  # A clean, even film in Newton's colours.
        nm = rng.uniform(14, 130) + rng.uniform(0.5, 6) * field[..., 0]
        level = float(np.interp(nm.mean(), [14, 30, 60, 130], [0.33, 0.5, 0.55, 0.65]))
        cuo, spread = rng.uniform(0, 0.3), rng.uniform(0.03, 0.2)
        mirror = np.mean(
            [_film(nm * (1 + spread * q), cuo) for q in (-1.3, -0.5, 0.5, 1.3)], axis=0
        )
        return Look(label, level, mirror, 0.3 * mirror, rng.uniform(0.8, 1), rough)
    level = float(BRIGHT_BELOW_LEVEL + (1 - BRIGHT_BELOW_LEVEL) * rng.beta(1.1, 1.3))
    per_pixel = np.clip(level + rng.uniform(0, 0.08) * field[..., 0], 0.0, 1)
    nm, brown, metallic = (np.interp(per_pixel, LEVELS[:, 0], LEVELS[:, c]) for c in (1, 2, 3))
    spread = rng.uniform(0.15, 0.5)
    film = np.mean(
        [_film(nm * (1 + spread * q), rng.uniform(0, 0.4)) for q in (-1.3, -0.5, 0, 0.5, 1.3)],
        axis=0,
    )
    cuprite, dark, black = (
        np.array([0.32, 0.15, 0.088]),
        np.array([0.11, 0.065, 0.044]),
        np.array([0.036, 0.029, 0.024]),
    )
    to_dark = np.clip((per_pixel - 0.5) / 0.25, 0, 1)[..., None]
    to_black = np.clip((per_pixel - 0.75) / 0.25, 0, 1)[..., None]
    body = cuprite * (1 - to_dark) + dark * to_dark
    body = (body * (1 - to_black) + black * to_black) * body_jitter
    w = brown[..., None]
    base = film * (1 - w) + body * w
    m = float(np.clip(np.median(metallic) + rng.normal(0, 0.12), 0.05, 1))
    return Look(
        label, float(np.median(per_pixel)), base, base, m, max(rough, 0.08),
        coat=0.03 * rng.random() * level,
    )  # fmt: skip


def _green(rng: Rng, label: int, field: Array, _rough: float) -> Look:
    hue, sat = rng.uniform(0.36, 0.53), rng.uniform(0.12, 0.6)
    body = _hsv(hue, sat, rng.uniform(0.4, 0.85)) * (1 + 0.25 * np.tanh(field))
    if rng.random() < 0.35:  # Olive and dull greens over brown.
        mix = rng.uniform(0.1, 0.5)
        body = body * (1 - mix) + mix * np.array([0.2, 0.12, 0.07])
    return Look(label, 0.8, body, body, 0.0, 0.5, coat=rng.uniform(0, 0.02),
                coat_roughness=0.4)  # fmt: skip


def _grey(rng: Rng, label: int, field: Array, rough: float) -> Look:
    metal = str(rng.choice(["tin", "tin", "tin", "al", "fe", "ni", "zn", "pb"]))
    base = (
        np.array([0.80, 0.79, 0.76]) * rng.uniform(0.8, 1.05)
        if metal == "tin"
        else metal_colour(metal).linear_rgb[0]
    )
    base = base * np.exp(rng.normal(0, 0.02, 3))
    if rng.random() < 0.35:  # Dull tin and old solder scatter as grey bodies do.
        base = base * rng.uniform(0.4, 0.9)
        metallic = rng.uniform(0.4, 0.9)
    else:
        metallic = rng.uniform(0.85, 1)
    mirror = base * (1 + 0.05 * np.tanh(field))
    return Look(label, 0.0, mirror, 0.6 * mirror, metallic, rough)


def _brass(rng: Rng, label: int, field: Array, rough: float) -> Look:
    alloys = ["cu70zn30", "cu70zn30", "cu85zn15", "cu90zn10"]
    dirt = np.exp(-rng.exponential(0.7)) if rng.random() < 0.6 else 1.0
    base = metal_colour(str(rng.choice(alloys))).linear_rgb[0]
    if rng.random() < 0.3:  # Between the alloys, and cast brass with lead.
        base = 0.5 * base + 0.5 * metal_colour("cu70zn30").linear_rgb[0]
        base = base * (1 - 0.1 * rng.random()) + 0.05 * rng.random()
    age = rng.beta(1, 1.8)  # Old brass turns olive-brown and dull.
    body = np.array([0.17, 0.125, 0.05]) * np.exp(rng.normal(0, 0.2))
    tint = np.array([1.0, 0.93, 0.72]) ** rng.uniform(0, 2.0 * age)
    mirror = (base * tint * (1 - 0.65 * age) + 0.65 * age * body) * np.exp(rng.normal(0, 0.03, 3))
    mirror = dirt * mirror * (1 + 0.08 * age * np.tanh(field))
    return Look(label, 0.0, mirror, 0.5 * mirror, rng.uniform(0.85, 1) - 0.4 * age, rough)


def _coated(rng: Rng, label: int, field: Array, _rough: float) -> Look:
    ones = np.ones_like(field)
    if rng.random() < 0.08:  # Clear lacquer or oil over tarnish.
        under = _tarnished(rng, label, field, _rough)
        tint = np.array([0.88, 0.80, 0.62]) ** rng.uniform(0.2, 1.6)
        under.mirror, under.body = under.mirror * tint, under.body * tint
        under.coat, under.coat_roughness = rng.uniform(0.035, 0.05), rng.uniform(0.03, 0.15)
        return under
    if rng.random() < 0.58:  # Enamel or varnish over bright copper: seen twice through it.
        tints = {
            "clear": [0.97, 0.93, 0.82], "amber": [0.93, 0.72, 0.38], "brown": [0.75, 0.47, 0.27],
            "red": [0.80, 0.24, 0.13], "green": [0.38, 0.66, 0.30], "dark": [0.35, 0.22, 0.15],
            "honey": [0.84, 0.60, 0.33], "rose": [0.90, 0.65, 0.58],
        }  # fmt: skip
        key = str(rng.choice(list(tints), p=[0.1, 0.26, 0.16, 0.13, 0.09, 0.06, 0.14, 0.06]))
        tint = np.array(tints[key]) ** rng.uniform(0.6, 1.8)
        mirror = ones * (_film(np.array([rng.uniform(0, 5)]), 0.0)[0] * tint**2 * 0.92)
        body = mirror * rng.uniform(0.2, 0.8)
        return Look(label, 0.1, mirror, body, rng.uniform(0.6, 1),
                    float(rng.uniform(0.05, 0.35)), coat=rng.uniform(0.035, 0.06), only_round=True,
                    coat_roughness=float(np.exp(rng.uniform(-3.5, -1.6))))  # fmt: skip
    if rng.random() < 0.3:  # Black, white and grey plastic.
        body = ones * np.full(3, np.exp(rng.uniform(np.log(0.02), np.log(0.85))))
        body = body * np.exp(rng.normal(0, 0.03, 3))
    else:
        body = ones * _hsv(rng.random(), rng.uniform(0.45, 1), rng.uniform(0.25, 0.95))
    body = body * (1 + 0.03 * np.tanh(field))
    return Look(label, 0.1, body, body, 0.0, 0.5, coat=rng.uniform(0.03, 0.06),
                coat_roughness=float(np.exp(rng.uniform(-3.0, -0.7))))  # fmt: skip


@dataclass
class Room:
    """Lamps as spherical Gaussians over a sky gradient, walls, and the table below."""

    axes: Array
    peaks: Array
    sharpness: Array
    zenith: Array
    horizon: Array
    table: Array

    def seen(self, directions: Array, roughness: float) -> Array:
        """Return light from these mirror directions, blurred by a rough surface."""
        z = directions[..., 2]
        soft = 0.06 + roughness
        up = 1 / (1 + np.exp(-np.clip(z / (0.45 * soft), -30, 30)))[..., None]
        height = np.clip((z[..., None] + soft) / (1 + soft), 0, 1)
        sky = self.horizon * (1 - height) + self.zenith * height
        # 1 / s' = 1 / s + roughness^2, the height falling as the lobe widens.
        s = 1 / (1 / self.sharpness + roughness**2)
        cosine = directions @ self.axes.T
        lobes = np.exp((cosine - 1) * s) * (s / self.sharpness)
        lamps = lobes @ self.peaks
        return sky * up + lamps * np.minimum(1, 2 * up) + self.table * (1 - up)

    def irradiance(self, normals: Array) -> Array:
        """Return diffuse light: a blur as wide as the cosine (roughness about 0.8)."""
        return self.seen(normals, 0.8)


def draw_room(rng: Rng) -> Room:
    """Return a random room, scaled so that a white on the table shows 1."""
    n = int(rng.integers(1, 6))
    tilt = np.arccos(rng.uniform(0.15, 1, n))
    turn = rng.uniform(0, 2 * np.pi, n)
    axes = np.stack(
        [np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)], axis=-1
    )
    sharpness = np.exp(rng.uniform(np.log(3), np.log(400), n))
    energy = rng.dirichlet(np.ones(n)) * rng.uniform(0.3, 1.5)
    tint = np.exp(rng.normal(0, rng.choice([0.02, 0.08]), (n, 3)))
    peaks = (energy * sharpness)[:, None] * 0.5 * tint
    ambient = np.exp(rng.uniform(np.log(0.05), np.log(1.0)))
    # Overhead is the ceiling, or the phone and its owner, who keep the light away.
    zenith = (
        ambient * np.exp(rng.uniform(np.log(0.08), np.log(1.3))) * np.exp(rng.normal(0, 0.08, 3))
    )
    horizon = ambient * rng.uniform(0.2, 1.0) * np.exp(rng.normal(0, 0.12, 3))
    kind = rng.random()
    if kind < 0.35:  # Paper, white table.
        albedo = np.full(3, rng.uniform(0.55, 0.9)) * np.exp(rng.normal(0, 0.03, 3))
    elif kind < 0.65:  # Wood and cardboard.
        albedo = np.array([0.40, 0.24, 0.13]) * np.exp(
            rng.normal(-0.1, 0.5) + rng.normal(0, 0.15, 3)
        )
    elif kind < 0.85:  # Concrete, stone, dark cloth.
        albedo = np.full(3, np.exp(rng.uniform(np.log(0.03), np.log(0.5))))
        albedo = albedo * np.exp(rng.normal(0, 0.05, 3))
    else:
        albedo = _hsv(rng.random(), rng.uniform(0.2, 0.9), rng.uniform(0.2, 0.9))
    room = Room(axes, peaks, sharpness, zenith, horizon, np.zeros(3))
    white = room.irradiance(np.array([[0.0, 0.0, 1.0]]))[0]
    room.peaks, room.zenith, room.horizon = peaks / white, zenith / white, horizon / white
    room.table = np.clip(albedo, 0.02, 0.9)
    return room


def draw_normals(rng: Rng, shape: tuple[int, int], *, only_round: bool) -> tuple[Array, Array]:
    """Return normals ``(h, w, 3)`` of a lying piece (x along it) and how shaded each is."""
    width = shape[0]
    h, length = shape
    across = (np.arange(h) - (h - 1) / 2) / (width / 2)
    kind = rng.random() * (0.8 if only_round else 1.0)
    if kind < 0.55 or width < 5:
        u = np.repeat(across[:, None], length, axis=1)
        shade = np.ones(shape)
    elif kind < 0.8:  # Strands laid in a helix, or turns of a winding side by side.
        n = int(rng.integers(2, max(3, min(9, width // 2))))
        slope = rng.uniform(-0.6, 0.6) if rng.random() < 0.6 else 20.0
        phase = across[:, None] * n / 2 + np.arange(length)[None] / width * n / 2 * slope
        if slope > 10:
            phase = np.repeat(np.arange(length)[None] / width * n / 2, h, axis=0)
        u = 2 * (phase % 1) - 1
        shade = 1 - rng.uniform(0.3, 0.9) * np.abs(u) ** 4
    else:  # Flat: sheet, coin, hammered.
        u = np.repeat(rng.uniform(-0.2, 0.2) + 0.1 * across[:, None], length, axis=1)
        shade = np.ones(shape)
    u = np.clip(u, -0.995, 0.995)
    bumps = rng.uniform(0, 0.1)
    ny = u + bumps * _patches(rng, shape, rng.uniform(0.6, 3))
    nx = bumps * _patches(rng, shape, rng.uniform(0.6, 3))
    if rng.random() < 0.4:  # A lengthwise bend or a coin's relief.
        nx = nx + rng.uniform(0.05, 0.4) * _patches(rng, shape, rng.uniform(3, 10))
    ny, nx = np.clip(ny, -0.995, 0.995), np.clip(nx, -0.7, 0.7)
    nz = np.sqrt(np.maximum(1 - ny**2 - nx**2, 0.01))
    normals = np.stack([nx, ny, nz], axis=-1)
    turn = rng.uniform(0, 2 * np.pi)
    c, s = np.cos(turn), np.sin(turn)
    normals = normals @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    return normals / np.linalg.norm(normals, axis=-1, keepdims=True), shade


def shade(
    look: Look, room: Room, normals: Array, shadow: Array, tilt: Array, bounce: float
) -> Array:
    """Return the light that a surface sends to the camera, ``(h, w, 3)``."""
    facing = np.clip(normals @ tilt, 0.02, 1)
    mirror = 2 * facing[..., None] * normals - tilt
    colour = look.mirror
    # In the grooves light meets the metal twice; the colour deepens.
    deep = np.clip(bounce * (1.12 - shadow), 0, 1)[..., None]
    colour = colour * (1 - deep + deep * colour)
    fresnel = (1 - facing[..., None]) ** 5
    spec = room.seen(mirror, look.roughness) * (colour + (1 - colour) * fresnel * 0.8)
    diffuse = room.irradiance(normals) * look.body
    out = look.metallic * spec + (1 - look.metallic) * diffuse
    if look.coat > 0:
        coat = look.coat + (1 - look.coat) * fresnel
        out = out * (1 - coat) + coat * room.seen(mirror, look.coat_roughness)
    return np.asarray(out * shadow[..., None])


@dataclass
class Strip:
    """One synthetic photo of a strip with its truth and what the white was taken for."""

    rgb: NDArray[np.uint8]
    labels: NDArray[np.int16]
    levels: Array
    white: Array


def draw_strip(rng: Rng, label: int, second: int | None) -> Strip:
    """Return a strip of one class, or of two that meet somewhere along it."""
    width = int(rng.integers(3, 15)) if rng.random() < 0.8 else int(rng.integers(24, 60))
    length = int(np.clip(width * rng.uniform(2, 8), 30, 110))
    shape = (width, length)
    room = draw_room(rng)
    look = draw_look(rng, label, shape)
    other = draw_look(rng, second, shape) if second is not None else None
    # Enamel is for wire: it comes on round things, never on sheet.
    wire = look.only_round or (other is not None and other.only_round)
    normals, shadow = draw_normals(rng, shape, only_round=wire)
    tilt = np.array([rng.normal(0, 0.15), rng.normal(0, 0.15), 1.0])
    tilt /= np.linalg.norm(tilt)
    bounce = rng.uniform(0, 1.2) if rng.random() < 0.65 else 0.0
    labels, levels = np.full(shape, label, np.int16), np.zeros(shape)
    light = shade(look, room, normals, shadow, tilt, bounce)
    levels[:] = look.level
    if other is not None and second is not None:
        if rng.random() < 0.6:
            there = np.repeat(np.arange(length)[None] > length * rng.uniform(0.25, 0.75), width, 0)
        else:
            there = _patches(rng, shape, rng.uniform(2, 6)) > rng.uniform(-0.7, 0.7)
        light2 = shade(other, room, normals, shadow, tilt, bounce)
        light = np.where(there[..., None], light2, light)
        labels[there], levels[there] = second, other.level
    margin = 8
    scene = np.empty((width + 2 * margin, length + 2 * margin, 3))
    grain = 1 + rng.uniform(0, 0.12) * _patches(rng, scene.shape[:2], rng.uniform(0.5, 3))
    scene[:] = room.table * grain[..., None]
    soft = cv2.GaussianBlur(np.pad(np.ones(shape), margin), (0, 0), 2.5)
    scene *= (1 - rng.uniform(0, 0.6) * soft)[..., None]
    scene[margin:-margin, margin:-margin] = light
    full_labels = np.full(scene.shape[:2], -1, np.int16)
    full_labels[margin:-margin, margin:-margin] = labels
    full_levels = np.pad(levels, margin)
    rgb, white = photograph(rng, scene)
    return Strip(rgb, full_labels, full_levels, white)


def photograph(rng: Rng, scene: Array) -> tuple[NDArray[np.uint8], Array]:
    """Return codes of a scene through a random phone, and its white as one would read it."""
    cast = np.exp(rng.normal(0, 0.08, 3))
    exposure = np.exp(rng.uniform(np.log(0.35), np.log(1.05)))
    gamma, shoulder = rng.uniform(0.9, 1.2), rng.uniform(0.0, 0.35)
    vivid = rng.uniform(0.95, 1.38)

    def develop(light: Array) -> Array:
        x = np.maximum(light * cast * exposure, 0)
        x = 0.4 * (x / 0.4) ** gamma
        # A phone's highlights roll off above about half.
        over = np.maximum(x - 0.5, 0)
        x = np.minimum(x, 0.5) + over * (1 - shoulder) / (1 + shoulder * over)
        code = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)
        grey = code @ np.array([0.299, 0.587, 0.114])
        return np.asarray(grey[..., None] + vivid * (code - grey[..., None]))

    blurred = cv2.GaussianBlur(scene, (0, 0), rng.uniform(0.3, 0.8))
    code = develop(blurred)
    code = code + rng.normal(0, rng.uniform(0.002, 0.015), code.shape)
    rgb = np.clip(np.round(code * 255), 0, 255).astype(np.uint8)
    if rng.random() < 0.7:
        quality = int(rng.integers(70, 97))
        _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
        rgb = np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])
    white_code = np.clip(develop(np.ones((1, 1, 3)))[0, 0], 0.02, 1)
    white = np.where(
        white_code <= 0.04045, white_code / 12.92, ((white_code + 0.055) / 1.055) ** 2.4
    )
    # Read from a card: its own tint, and a lamp's falloff between it and the piece.
    white = white * np.exp(rng.normal(0, 0.025, 3) + rng.normal(0, 0.12))
    return rgb, white


def sample(
    rng: Rng, strips: int, per_strip: int = 24
) -> tuple[NDArray[np.float32], NDArray[np.int16], NDArray[np.float32]]:
    """Return features, class numbers and tarnish levels of random pixels."""
    rows, classes, levels = [], [], []
    for _ in range(strips):
        label = int(rng.choice(len(CLASSES), p=PRIOR))
        second = int(rng.choice(len(CLASSES), p=PRIOR)) if rng.random() < 0.3 else None
        strip = draw_strip(rng, label, second)
        mask = strip.labels >= 0
        h, w = mask.shape
        work = work_copy(strip.rgb, mask, (0, 0, w, h))
        if work.valid.sum() < 12:
            continue
        features = pixel_features(work, strip.white)
        # Strips wider than the working width come back smaller; carry the truth along.
        size = work.valid.shape[::-1]
        left, top = work.origin_px
        shape = strip.labels[top:, left:].astype(np.float32)
        truth = cv2.resize(shape, size, interpolation=cv2.INTER_NEAREST)[work.valid].astype(
            np.int16
        )
        level = cv2.resize(
            strip.levels[top:, left:].astype(np.float32), size, interpolation=cv2.INTER_NEAREST
        )[work.valid]
        ok = np.flatnonzero(truth >= 0)
        pick = rng.choice(ok, min(per_strip, ok.size), replace=False)
        rows.append(features[pick])
        classes.append(truth[pick])
        levels.append(level[pick])
    return np.concatenate(rows), np.concatenate(classes), np.concatenate(levels)


def with_other_white(x: NDArray[np.float32], rng: Rng) -> NDArray[np.float32]:
    """Return features as under a white that is off by what a reference's white is."""
    x = x.copy()
    for names, sigma in ((SHIFTED_BY_RG, 0.03), (SHIFTED_BY_BG, 0.03), (SHIFTED_BY_LEVEL, 0.12)):
        x[:, [FEATURES.index(name) for name in names]] += np.float32(rng.normal(0, sigma))
    return x


@dataclass
class Samples:
    """Pixels to fit on: features, class numbers, tarnish levels and weights."""

    x: NDArray[np.float32]
    classes: NDArray[np.int16]
    levels: NDArray[np.float32]
    weights: NDArray[np.float32]


def rendered_piece(
    photo: Photo, region: Region, labels: NDArray[np.uint8], white: FloatArray
) -> tuple[NDArray[np.float32], NDArray[np.int16]] | None:
    """Return features and classes of a region's valid pixels, None without any to speak of."""
    work = work_copy(photo.rgb, region.mask, region.box_px)
    if work.valid.sum() < 12:
        return None
    rows, columns = np.nonzero(work.valid)
    x = np.round((columns + 0.5) * work.factor - 0.5 + work.origin_px[0]).astype(int)
    y = np.round((rows + 0.5) * work.factor - 0.5 + work.origin_px[1]).astype(int)
    truth = labels[np.clip(y, 0, photo.height_px - 1), np.clip(x, 0, photo.width_px - 1)]
    return pixel_features(work, white), OF_SURFACE[truth].astype(np.int16)


def sample_rendered(rng: Rng, folders: list[Path]) -> Samples:
    """Return pixels of all pieces in folders of rendered photos, rarer classes weighing more."""
    rows, classes, levels = [], [], []
    for folder in folders:
        for file in sorted(folder.glob("*.json")):
            truth = json.loads(file.read_text(encoding="utf-8"))
            for x, c, level in _rendered_photo(file, truth):
                pick = rng.choice(len(x), min(PER_PIECE, len(x)), replace=False)
                for rare in (4, 5):
                    there = np.flatnonzero(c == rare)
                    if 0 < there.size < 0.5 * len(x):
                        more = rng.choice(there, min(RARE_PER_PIECE, there.size), replace=False)
                        pick = np.concatenate([pick, more])
                rows.append(with_other_white(x[pick], rng))
                classes.append(c[pick])
                levels.append(np.full(len(pick), level, np.float32))
    return weighed(np.concatenate(rows), np.concatenate(classes), np.concatenate(levels))


def weighed(
    x: NDArray[np.float32], classes: NDArray[np.int16], levels: NDArray[np.float32]
) -> Samples:
    """Return samples whose rarer classes weigh more; the weights' mean is 1."""
    count = np.bincount(classes, minlength=OUTSIDE + 1)
    weights = (np.maximum(count, 150) ** -0.35)[classes]
    return Samples(x, classes, levels, (weights / weights.mean()).astype(np.float32))


def _rendered_photo(
    file: Path, truth: dict[str, Any]
) -> Iterator[tuple[NDArray[np.float32], NDArray[np.int16], float]]:
    """Yield features, classes and level of each piece, outline and white of one photo."""
    photo = load_photo_file(file.with_suffix(".jpg"))
    shape = photo.rgb.shape[1::-1]
    planes = []
    for name in ("pieces", "labels"):
        plane = cv2.imread(str(file.with_suffix(f".{name}.png")), cv2.IMREAD_GRAYSCALE)
        if plane is None:
            return
        planes.append(cv2.resize(plane, shape, interpolation=cv2.INTER_NEAREST))
    numbers, labels = planes
    scale = None
    if truth.get("references"):
        with suppress(PhotoError):
            scale = detect_scale(photo, truth["references"][0]["key"])
    whites = [estimate_white(photo, scale).rgb]
    if scale is not None and scale.white is not None:
        whites.append(estimate_white(photo).rgb)
    outlines = scale.outlines_px if scale is not None else ()
    found = find_pieces(photo, reference_outlines_px=outlines)
    for piece in truth["pieces"]:
        mask = numbers == piece["id"]
        if mask.sum() < 60:
            continue
        x, y, w, h = cv2.boundingRect(mask.astype(np.uint8))
        inside = np.ascontiguousarray(mask[y : y + h, x : x + w])
        regions = [Region(box_px=(x, y, w, h), mask=inside, outline_px=np.zeros((0, 2)), score=1.0)]
        overlaps = [_overlap(mask, region) for region in found]
        if overlaps and max(overlaps) > SMALLEST_IOU:
            regions.append(found[int(np.argmax(overlaps))])
        for region in regions:
            for white in whites:
                taken = rendered_piece(photo, region, labels, white)
                if taken is not None:
                    yield *taken, float(piece["tarnish_level"] or 0.0)


def _overlap(mask: NDArray[np.bool_], region: Region) -> float:
    x, y, w, h = region.box_px
    both = int((mask[y : y + h, x : x + w] & region.mask).sum())
    return both / (int(mask.sum()) + int(region.mask.sum()) - both)


def joined(strips: Samples, rendered: Samples) -> Samples:
    """Return both kinds of pixels, the rendered ones with ``RENDERED_WEIGHT`` of the strips'."""
    repeat = max(1, len(strips.x) // max(1, len(rendered.x)))
    weight = RENDERED_WEIGHT * len(strips.x) / (repeat * len(rendered.x))
    weights = np.concatenate([strips.weights, np.tile(rendered.weights * weight, repeat)])
    return Samples(
        np.concatenate([strips.x, *[rendered.x] * repeat]),
        np.concatenate([strips.classes, *[rendered.classes] * repeat]),
        np.concatenate([strips.levels, *[rendered.levels] * repeat]),
        np.asarray(weights / weights.mean(), np.float32),
    )


def fit(samples: Samples, *, seed: int, epochs: int = 12) -> dict[str, NDArray[np.float32]]:
    """Fit one hidden layer by Adam: cross-entropy of classes, squared error of the level."""
    rng = np.random.default_rng(seed)
    x, classes, levels = samples.x, samples.classes, samples.levels
    low, high = np.percentile(x, [0.2, 99.8], axis=0)
    x = np.clip(x, low, high)
    mean, std = x.mean(axis=0), x.std(axis=0) + 1e-6
    x = ((x - mean) / std).astype(np.float32)
    k = OUTSIDE + 1
    bare = (classes <= 1).astype(np.float32)
    p = {
        "w1": rng.normal(0, 1 / np.sqrt(x.shape[1]), (x.shape[1], HIDDEN)),
        "b1": np.zeros(HIDDEN),
        "w2": rng.normal(0, 0.5 / np.sqrt(HIDDEN), (HIDDEN, k + 1)),
        "b2": np.append(np.zeros(k), 0.3),
    }
    p = {name: value.astype(np.float32) for name, value in p.items()}
    moment = {name: (np.zeros_like(v), np.zeros_like(v)) for name, v in p.items()}
    target = np.eye(k, dtype=np.float32)[classes]
    step, batch = 0, 1024
    total = epochs * (len(x) // batch)
    for _ in range(epochs):
        order = rng.permutation(len(x))
        for start in range(0, len(x) - batch + 1, batch):
            i = order[start : start + batch]
            xi, weight = x[i], samples.weights[i]
            hidden = np.tanh(xi @ p["w1"] + p["b1"])
            out = hidden @ p["w2"] + p["b2"]
            e = np.exp(out[:, :k] - out[:, :k].max(axis=1, keepdims=True))
            prob = e / e.sum(axis=1, keepdims=True)
            d = np.empty_like(out)
            d[:, :k] = weight[:, None] * (prob - target[i]) / batch
            d[:, k] = LEVEL_WEIGHT * weight * bare[i] * (out[:, k] - levels[i]) / batch
            back = (d @ p["w2"].T) * (1 - hidden**2)
            grad = {"w2": hidden.T @ d, "b2": d.sum(0), "w1": xi.T @ back, "b1": back.sum(0)}
            step += 1
            rate = 3e-3 * 0.5 * (1 + np.cos(np.pi * step / total)) + 1e-5
            for name, g in grad.items():
                m, v = moment[name]
                full = g + (1e-4 * p[name] if name.startswith("w") else 0)
                m += 0.1 * (full - m)
                v += 0.001 * (full * full - v)
                p[name] -= rate * (m / (1 - 0.9**step)) / (np.sqrt(v / (1 - 0.999**step)) + 1e-8)
    return {**p, "mean": mean, "std": std, "low": low, "high": high}


def together(members: list[dict[str, NDArray[np.float32]]]) -> dict[str, NDArray[np.float32]]:
    """Return one network whose outputs are the mean of the members'.

    Where the strips say nothing the members differ, and their mean is less sure.
    """
    n = len(members)
    return {
        **members[0],
        "w1": np.concatenate([m["w1"] for m in members], axis=1),
        "b1": np.concatenate([m["b1"] for m in members]),
        "w2": np.concatenate([m["w2"] / n for m in members]),
        "b2": np.mean([m["b2"] for m in members], axis=0),
    }


def outputs(p: dict[str, NDArray[np.float32]], x: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the raw outputs of the fitted network: class logits, then the level."""
    z = (np.clip(x, p["low"], p["high"]) - p["mean"]) / p["std"]
    return np.asarray(np.tanh(z @ p["w1"] + p["b1"]) @ p["w2"] + p["b2"], dtype=np.float32)


def main() -> None:
    """Draw strips, read renders, fit, print the confusion on fresh strips, write the constants."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("rendered", type=Path, nargs="+")
    parser.add_argument("--strips", type=int, default=4400)
    parser.add_argument("--seed", type=int, default=20)
    given = parser.parse_args()
    start = time.perf_counter()
    rng = np.random.default_rng(given.seed)
    x, classes, levels = sample(rng, given.strips, per_strip=34)
    strips = Samples(x, classes, levels, np.ones(len(x), np.float32))
    samples = joined(strips, sample_rendered(rng, given.rendered))
    print(f"{len(samples.x)} pixels in {time.perf_counter() - start:.0f} s")
    fresh = sample(np.random.default_rng(given.seed + 1), max(800, given.strips // 8))
    write(given.out, samples, fresh, seed=given.seed)
    print(f"written {given.out} after {time.perf_counter() - start:.0f} s")


def write(
    file: Path,
    samples: Samples,
    fresh: tuple[NDArray[np.float32], NDArray[np.int16], NDArray[np.float32]],
    *,
    seed: int,
) -> None:
    """Fit on samples, choose a temperature on fresh strips, print the confusion, write a file."""
    p = together([fit(samples, seed=seed + i) for i in range(MEMBERS)])
    x2, c2, l2 = fresh
    out = outputs(p, x2)
    k = len(CLASSES)
    # One temperature on fresh strips makes the probabilities honest on them.
    best = min(np.arange(0.8, 2.0, 0.05), key=lambda t: _cross_entropy(out[:, :k] / t, c2))
    p["temperature"] = np.array(best, np.float32)
    p["b2"][CLASSES.index("coated")] += COATED_SHIFT * best
    prob = _softmax(out[:, :k] / best)
    print(f"temperature {best:.2f}, cross-entropy {_cross_entropy(out[:, :k] / best, c2):.3f}")
    table = np.array([[np.mean(prob[c2 == a].argmax(1) == b) for b in range(k)] for a in range(k)])
    print("truth \\ told", *CLASSES)
    for name, row in zip(CLASSES, table, strict=True):
        print(f"{name:10s}", np.round(row, 2))
    bare = c2 <= 1
    u_level = np.float32(np.sqrt(np.mean((out[bare, -1] - l2[bare]) ** 2)))
    print(f"level: rms error {u_level:.3f}")
    np.savez_compressed(
        file,
        features=np.array(FEATURES),
        classes=np.array(CLASSES),
        u_level=u_level,
        **{name: np.asarray(value, np.float32) for name, value in p.items()},
    )


def _softmax(z: NDArray[np.float32]) -> NDArray[np.float32]:
    e = np.exp(z - z.max(axis=1, keepdims=True))
    return np.asarray(e / e.sum(axis=1, keepdims=True))


def _cross_entropy(z: NDArray[np.float32], classes: NDArray[np.int16]) -> float:
    p = _softmax(z)
    return float(-np.log(np.maximum(p[np.arange(len(p)), classes], 1e-9)).mean())


if __name__ == "__main__":
    main()
