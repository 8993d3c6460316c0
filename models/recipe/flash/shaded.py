"""Windows of round pieces shaded directly: thousands in the time of a few traced ones.

What lies on the piece, the light, the camera and the lamp are those of the traced scenes
(:mod:`models.recipe.flash.windows`); only light is not traced. A cylinder on a table is simple
enough: the lamp's lobes have a formula, the surroundings are looked up in copies blurred as
wide as the lobe, and below the horizon lies the table, darker towards the line of contact.
``tests/models/flash`` holds it against the renderer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from models.recipe.flash.around import Around, around, dot, fresnel, lobe, shadowed, unit
from models.recipe.flash.lamp import lamp
from models.recipe.flash.windows import (
    AWAY,
    FEWEST_PX,
    FINISHES,
    WINDOWS,
    light_style,
    lit_there,
)
from models.recipe.look import finishes as fin
from models.recipe.look.camera import Camera, make_camera
from models.recipe.look.finishes import Skin
from models.recipe.look.lights import Light, make_light
from models.recipe.look.noise import Rng
from models.recipe.pieces.piece import skin_of
from models.recipe.pieces.tubes import pick_tube
from models.recipe.scene import bench_mix
from models.recipe.scene.rendering import COAT_TAKES, under_coat
from vision.types import FloatArray as Array

FINER = (1, 4)
"""Points a pixel along and across: a lamp mirrored in a smooth coat is a fraction of one wide.
What lies between the points widens the lobes (``shade``), so that none falls through."""

BRASS_SHARE, SOLDERED_SHARE, WHITE_SHARE = 0.04, 0.14, 0.75
UP = np.array([0.0, 0.0, 1.0], np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bed:
    """How a round piece lies: its middle, its way, its radius, where its skin begins.

    Attributes:
        middle_mm: ``(3,)`` on the axis, at the middle of the window.
        way: ``(3,)`` along the axis.
        radius_mm: Of the piece, or of each of ``strands`` side by side.
        along, turn: Where on the skin the window lies, shares.
        strands: How many show side by side; 1 is a solid piece.
        lay: Slope of the strands to the axis.
    """

    middle_mm: Array
    way: Array
    radius_mm: float
    along: float
    turn: float
    strands: int = 1
    lay: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surface:
    """What each point of a window is made of and which way it looks, ``(h, w)`` or with 3 planes.

    Attributes:
        own: Whether the piece is there.
        aside_mm: How far from the axis, along the table.
        point, to_lens, normal, around: Where it is, the way to the lens, of the surface and
            round the piece.
        base, metallic, coat, film: As the skin has them.
        rough: GGX alpha as seen through the coat, across the piece and along it.
        label, level, bare_rough: What is true there, and alpha without the coat.
        grain: Variance of a facet's angle between two points.
    """

    own: Array
    aside_mm: Array
    point: Array
    to_lens: Array
    normal: Array
    around: Array
    base: Array
    metallic: Array
    coat: Array
    film: Array
    rough: tuple[Array, Array]
    label: Array
    level: Array
    bare_rough: Array
    grain: float

    @property
    def mirror(self) -> Array:
        """Reflectance straight on of what is no coat: the metal's colour, 4 % of the rest."""
        metallic = self.metallic[..., None]
        return np.asarray(0.04 * (1 - metallic) + self.base * metallic)

    @property
    def matt(self) -> Array:
        """Albedo of what throws light all ways."""
        return np.asarray(self.base * (1 - self.metallic[..., None]))

    @property
    def kept(self) -> Array:
        """What the coat leaves to the metal below."""
        return np.asarray(1 - COAT_TAKES * self.coat)[..., None]

    @property
    def mean_rough(self) -> Array:
        """One alpha for both ways."""
        return np.asarray(np.sqrt(self.rough[0] * self.rough[1]))

    @property
    def seen(self) -> Array:
        """Cosine of the angle to the lens."""
        return np.asarray(np.maximum(dot(self.normal, self.to_lens), 0.02))


def surface(
    skin: Skin, mm: tuple[float, float], bed: Bed, *, camera: Camera, size: tuple[int, int],
    broad: float,
) -> Surface:  # fmt: skip
    """Return what the points of a window show of a piece; see :func:`shade`."""
    columns, rows = size
    step = 2 * bed.radius_mm * bed.strands / broad
    down = (np.arange(rows * FINER[0]) + 0.5) / FINER[0] - rows / 2
    s = (down * step).astype(np.float32)[:, None]
    across = (np.arange(columns * FINER[1], dtype=np.float32) + 0.5) / FINER[1] - columns / 2
    across = np.broadcast_to((across / (broad / 2)).astype(np.float32), (len(s), len(across)))
    way, u = bed.way.astype(np.float32), across
    turn: Array = np.full_like(u, bed.turn)
    point = bed.middle_mm.astype(np.float32) + s[..., None] * way
    if bed.strands > 1:  # strands that run aslant over what is seen
        place = (u + 1) / 2 * bed.strands + s * bed.lay / (2 * bed.radius_mm)
        u, turn = 2 * (place % 1) - 1, bed.turn + 0.37 * np.floor(place)
        way = unit(way + bed.lay * np.cross(way, UP))
    to_lens = unit(camera.origin_mm.astype(np.float32) - point)
    front = unit(to_lens - dot(to_lens, way)[..., None] * way)
    side = np.cross(front, np.broadcast_to(way, front.shape))
    sine = np.clip(u, -0.999, 0.999)[..., None]
    cosine = np.sqrt(1 - sine**2)
    normal, around_ = cosine * front + sine * side, cosine * side - sine * front
    h, w = skin.shape
    at_u = ((np.arcsin(sine[..., 0]) / (2 * np.pi) + turn) % 1.0 * (w - 1)).astype(np.float32)
    at_v = np.broadcast_to((bed.along + s / mm[0]) % 2.0 * (h - 1), at_u.shape)
    at_v = np.where(at_v > h - 1, 2 * (h - 1) - at_v, at_v).astype(np.float32)  # to and fro

    def look(plane: Array, how: int = cv2.INTER_LINEAR) -> Array:
        return np.asarray(cv2.remap(plane, at_u, at_v, how))

    slopes = np.gradient(skin.height.astype(np.float32))
    rise, tilt = look(slopes[0] * h / mm[0])[..., None], look(slopes[1] * w / mm[1])[..., None]
    rough, stretch = look(under_coat(skin)) ** 2, look(skin.stretch)
    wider = (1 - 0.9 * np.abs(stretch)) ** (-0.5 * np.sign(stretch))
    return Surface(
        own=np.abs(across) <= 1,
        aside_mm=np.abs(across) * bed.strands * bed.radius_mm,
        point=point + bed.radius_mm * normal,
        to_lens=np.broadcast_to(to_lens, normal.shape),
        normal=unit(normal - rise * way - tilt * around_),
        around=around_,
        base=look(skin.base),
        metallic=look(skin.metallic),
        coat=look(skin.coat),
        film=look(skin.film),
        rough=(rough * wider, rough / wider),
        label=look(skin.label, cv2.INTER_NEAREST),
        level=look(skin.level),
        bare_rough=look(skin.rough) ** 2,
        grain=(2 * bed.strands / broad / FINER[1]) ** 2 / 12,
    )


def thrown_by_lamp(on: Surface, *, camera: Camera, flash: Light) -> Array:
    """Return the radiance of a piece by the lamp's light alone, straight to it and back."""
    lamp_at = flash.emitters[0]
    to_lamp = lamp_at.centre_mm.astype(np.float32) - on.point
    far = np.linalg.norm(to_lamp, axis=-1, keepdims=True)
    to_lamp = to_lamp / far
    leaving = -(to_lamp @ camera.forward.astype(np.float32))[..., None]
    shed = flash.irradiance.astype(np.float32) * (camera.origin_mm[2] / far) ** 2 * leaving
    lit = np.maximum(dot(on.normal, to_lamp), 0)
    half = unit(to_lamp + on.to_lens)
    across = unit(on.around - dot(on.around, on.normal)[..., None] * on.normal)
    frame = (across, np.cross(on.normal, across), on.normal)
    # The lamp's own size widens a lobe: a square of half side a has variance a² / 3 each way,
    # half of it in the facet's angle; what lies between two points across does the same.
    wide = 2 * ((lamp_at.size_mm / far[..., 0] / 4) ** 2 / 3 + on.grain)

    def lobes(alpha: tuple[Array, Array]) -> Array:
        wider = (np.sqrt(alpha[0] ** 2 + wide), np.sqrt(alpha[1] ** 2 + wide))
        one = np.sqrt(wider[0] * wider[1])
        both = shadowed(on.seen, one) * shadowed(lit, one)
        return np.where(lit > 0, lobe(half, frame, wider) * both / (4 * on.seen), 0)[..., None]

    facing = np.clip(dot(half, on.to_lens), 0, 1)
    schlick = on.mirror + (1 - on.mirror) * (1 - facing)[..., None] ** 5
    below = on.matt / np.pi * lit[..., None] + schlick * lobes(on.rough)
    coat = (on.coat * fresnel(facing))[..., None] * lobes((on.film, on.film))
    return np.asarray(shed * (on.kept * below + coat))


def thrown_by_all(
    on: Surface, bed: Bed, *, ambient: Around, albedo: Array, lamp_table: Array
) -> tuple[Array, Array]:
    """Return the radiance by what is around, and by the table that the lamp lights."""
    back = unit(2 * dot(on.normal, on.to_lens)[..., None] * on.normal - on.to_lens)
    table, lit = _table_seen(back, on.normal, bed)
    ground = albedo * ambient.irradiance / np.pi
    low = ((1 - on.normal[..., 2]) / 2 * 0.5)[..., None]
    edge = (1 - on.seen)[..., None] ** 5 * (1 - np.sqrt(on.mean_rough))[..., None]
    shares = (
        (on.kept * (on.mirror + (1 - on.mirror) * edge), 1.2 * on.mean_rough),
        ((on.coat * fresnel(on.seen))[..., None], 1.2 * on.film),
    )
    sent = _shed(ambient, on.normal) + low * albedo * ambient.irradiance
    by_all = on.kept * on.matt / np.pi * sent
    by_table = on.kept * on.matt * low * lamp_table
    for share, width in shares:
        under = 1 / (1 + np.exp(np.clip(back[..., 2] / np.maximum(0.5 * width, 0.02), -30, 30)))
        under = under[..., None]
        sky = ambient.seen(back, width)
        by_all = by_all + share * (sky * (1 - under) + ground * table[..., None] * under)
        by_table = by_table + share * lamp_table * lit[..., None] * under
    return by_all, by_table


def shade(
    skin: Skin, mm: tuple[float, float], bed: Bed, *, camera: Camera, flash: Light, ambient: Around,
    albedo: Array, size: tuple[int, int], broad: float,
) -> dict[str, Any]:  # fmt: skip
    """Return radiance by the light that is there and by the lamp, and what shows where.

    Args:
        skin: Of the piece, ``mm`` along and round.
        bed: How it lies.
        camera, flash, ambient: Who looks, and by what light.
        albedo: ``(3,)`` of the table.
        size: Columns and rows of the window.
        broad: Columns that the piece takes.
    """
    albedo = albedo.astype(np.float32)
    on = surface(skin, mm, bed, camera=camera, size=size, broad=broad)
    lamp_table = albedo / np.pi * flash.irradiance * lit_there(camera, bed.middle_mm)
    by_all, by_table = thrown_by_all(on, bed, ambient=ambient, albedo=albedo, lamp_table=lamp_table)
    by_lamp = thrown_by_lamp(on, camera=camera, flash=flash) + by_table
    # The table beside the piece.
    left = (on.aside_mm**2 / (on.aside_mm**2 + bed.radius_mm**2))[..., None]
    ground = albedo * ambient.irradiance / np.pi * left
    own = on.own[..., None]
    there = slice(None, None, FINER[0]), slice(FINER[1] // 2, None, FINER[1])
    mean = lambda plane: plane[on.own].mean(axis=0)  # noqa: E731
    return {
        "ambient": _coarse(np.where(own, by_all, ground)),
        "lamp": _coarse(np.where(own, by_lamp, np.broadcast_to(lamp_table, ground.shape))),
        "own": _coarse(own.astype(np.float64))[..., 0] > 0.5,
        "label": np.where(on.own, on.label, 0)[there].astype(np.uint8),
        "level": float(mean(on.level)),
        "base": mean(on.base),
        "alpha": float(mean(on.bare_rough)),
        "film": float(mean(on.film)),
        "coat": float(mean(on.coat)),
        "metallic": float(mean(on.metallic)),
    }


def _table_seen(back: Array, normal: Array, bed: Bed) -> tuple[Array, Array]:
    """Return how lit the table is where a ray meets it, by all that is around and by the lamp.

    The lamp's light falls from above: below the piece itself there is none. Of the rest, beside
    an endless cylinder of radius r the sky that is left at distance x, weighted by the cosine,
    is x² / (x² + r²): half of 1 + cos of the angle that it takes (plane geometry).
    """
    aside = np.cross(UP, bed.way.astype(np.float32))
    high = bed.radius_mm * (1 + normal[..., 2])
    run = high / np.maximum(-back[..., 2], 1e-3)
    x = np.abs(bed.radius_mm * (normal @ aside) + run * (back @ aside))
    lit = np.clip((x / bed.radius_mm - 0.9) / 0.2, 0, 1)
    return np.asarray(x**2 / (x**2 + bed.radius_mm**2)), np.asarray(lit)


def _shed(ambient: Around, normal: Array) -> Array:
    """Return the irradiance on surfaces by the sky alone, ``(h, w, 3)``."""
    ways, power = ambient.by_facing
    up = ways[:, 2] > 0
    small = normal[:: 4 * FINER[0], :: 2 * FINER[1]]
    sent = np.maximum(small @ ways[up].T.astype(np.float32), 0) @ power[up].astype(np.float32)
    return np.asarray(
        cv2.resize(sent, (normal.shape[1], normal.shape[0]), interpolation=cv2.INTER_LINEAR)
    )


def _coarse(fine: Array) -> Array:
    rows, columns, planes = fine.shape
    shape = (rows // FINER[0], FINER[0], columns // FINER[1], FINER[1], planes)
    return np.asarray(fine.reshape(shape).mean(axis=(1, 3)), np.float32)


def _round(rng: Rng) -> tuple[str, float, int]:
    """Return form, diameter (of a strand where there are several) and strands in sight."""
    form = str(rng.choice(["wire", "tube", "stranded"], p=[0.55, 0.25, 0.2]))
    if form == "tube":
        return form, pick_tube(rng)[0], 1
    if form == "wire":
        return form, float(np.exp(rng.uniform(np.log(0.9), np.log(6.0)))), 1
    return form, float(np.exp(rng.uniform(np.log(0.4), np.log(2.0)))), int(rng.integers(3, 6))


def shaded_window(seed: int, *, skies: list[Any]) -> dict[str, Any]:
    """Return one window of one piece, as :func:`models.recipe.flash.windows.windows_of` does."""
    rng = np.random.default_rng([41_000_000, seed])
    form, diameter, strands = _round(rng)
    finish = bench_mix.draw(rng, FINISHES)
    mm = (60.0, np.pi * diameter)
    skin = skin_of(finish, rng=rng, length_mm=mm[0], round_mm=mm[1])
    if rng.random() < BRASS_SHARE:
        finish, kind = "brass", str(rng.choice(["brass70", "brass85", "brass90"]))
        skin = fin.metal(skin.shape, rng=rng, mm=mm, name=kind, label=fin.BRASS, drawn=True,
                         rough=rng.uniform(0.2, 0.45), dull=rng.uniform(0, 0.6))  # fmt: skip
    soldered = rng.random() < SOLDERED_SHARE
    if soldered:
        skin = fin.dipped(skin, rng=rng, mm=mm, at=0.5)
    camera = make_camera(
        rng, size_px=(4000, 3000), height_mm=float(rng.uniform(*bench_mix.HEIGHT_MM)),
        target_mm=np.zeros(2), focal_35mm=26.0, tilt_deg=min(abs(float(rng.normal(0, 8))), 25.0),
    )  # fmt: skip
    style = light_style(rng, skies=bool(skies))
    light = make_light(rng, skies=skies, camera_mm=camera.origin_mm, style=style)
    flash = lamp(rng, camera)
    white = rng.random() < WHITE_SHARE
    grey = rng.uniform(0.65, 0.88) if white else rng.uniform(0.05, 0.5)
    albedo = grey * np.clip(1 + rng.normal(0, 0.03, 3), 0.9, 1.1)
    bed = _bed(rng, camera, diameter, strands, soldered=soldered)
    depth = float((bed.middle_mm - camera.origin_mm) @ camera.forward)
    broad = camera.focal_px * diameter * strands / depth * rng.uniform(0.6, 1.0)
    broad = float(np.clip(broad, FEWEST_PX, max(WINDOWS)))
    size = next(size for most, size in WINDOWS.items() if broad <= most)
    ambient = around(light, camera, bed.middle_mm * [1, 1, 0], albedo=albedo)
    window = shade(skin, mm, bed, camera=camera, flash=flash, ambient=ambient, albedo=albedo,
                   size=size, broad=broad)  # fmt: skip
    return window | {
        "window": np.array([*rng.integers(500, 2500, 2), *size]),
        "whole": np.array([4000, 3000]),
        "ambient_white": ambient.irradiance,
        "lamp_white": flash.irradiance * lit_there(camera, bed.middle_mm),
        "albedo": float(albedo.mean()),
        "white_table": white,
        "finish": finish,
        "form": form,
        "light": light.name,
        "broad": broad,
        "number": seed,
    }


def _bed(rng: Rng, camera: Camera, diameter: float, strands: int, *, soldered: bool) -> Bed:
    """Return how a piece lies, and which part of it is looked at: mostly where the lamp shows."""
    turn = rng.uniform(0, np.pi)
    way = np.array([np.cos(turn), np.sin(turn), 0.0])
    reach = 0.35 * camera.origin_mm[2]
    middle = np.array([*rng.uniform(-reach, reach, 2), diameter / 2])
    nearest, half = float((camera.origin_mm - middle) @ way), rng.uniform(20, 75)
    shift = np.clip(nearest, -half, half) + rng.normal(0, 0.6) * diameter
    if rng.random() < AWAY:
        shift = rng.uniform(-half, half)
    return Bed(
        middle_mm=middle + shift * way,
        way=way,
        radius_mm=diameter / 2,
        along=0.5 if soldered and rng.random() < 0.4 else rng.uniform(0.1, 0.9),
        turn=rng.uniform(0, 1),
        strands=strands,
        lay=rng.uniform(-0.3, 0.3) if strands > 1 else 0.0,
    )
