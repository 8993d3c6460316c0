"""Draw a wire or tube whose width is known, as a photo would show it.

Its own small optics, on purpose not the one behind the edge network: a matte or
mirror-like round body, a shadow beside it, a textured table, blur, noise, JPEG.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.types import Mask, Photo, Region, Scale

Floats = NDArray[Any]
SIZE = (400, 260)

COPPER = np.array([0.95, 0.64, 0.54], np.float32)
WHITE = np.array([0.78, 0.77, 0.74])
WOOD = np.array([0.42, 0.27, 0.15])
DARK = np.array([0.05, 0.055, 0.06])


@dataclass(frozen=True, kw_only=True)
class Look:
    shiny: bool = False
    flat: bool = False  # a painted band: one colour from edge to edge
    metal: Floats = field(default_factory=lambda: COPPER)
    table: Floats = field(default_factory=lambda: WHITE)
    light_from: float = 0.5  # where the lamp is across the wire, radians from straight up
    shadow: tuple[float, float] = (0.25, 0.5)  # how deep on either side
    reach: float = 0.7  # how far, in radii
    cast: float = 0.0  # a low sun's hard shadow on the far side, in radii
    cast_depth: float = 0.7
    texture: float = 0.02
    blur_px: float = 0.9
    noise: float = 0.008
    quality: int = 92


@dataclass(frozen=True, kw_only=True)
class Straight:
    """A straight axis."""

    length: float
    angle_deg: float
    centre: tuple[float, float]

    def across_and_along(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Distance to the side of the axis, and along it from the middle; px."""
        a = np.deg2rad(self.angle_deg)
        dx, dy = x - self.centre[0], y - self.centre[1]
        return np.cos(a) * dy - np.sin(a) * dx, np.cos(a) * dx + np.sin(a) * dy


@dataclass(frozen=True, kw_only=True)
class Bent:
    """An axis bent to a part of a circle; its middle at the centre, opening downwards."""

    length: float
    radius: float
    centre: tuple[float, float]

    def across_and_along(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        dx, dy = x - self.centre[0], y - (self.centre[1] + self.radius)
        return self.radius - np.hypot(dx, dy), self.radius * np.arctan2(dx, -dy)


def body_light(across: Floats, look: Look) -> Floats:
    """Light of the round body at ``across`` radii from its middle, -1 to 1."""
    x = np.clip(across, -0.9999, 0.9999)
    normal = np.arcsin(x)
    if look.flat:
        return np.broadcast_to(0.5 * look.metal, (*across.shape, 3))
    if not look.shiny:
        facing = np.clip(np.cos(normal - look.light_from), 0, 1)
        gloss = 1.2 * np.exp(-(((normal - look.light_from / 2) / 0.12) ** 2))
        return look.metal * (0.12 + 0.45 * facing)[..., None] + gloss[..., None] * look.metal
    out = 2 * normal  # the mirrored ray, from straight up
    sky = 0.35 + 0.25 * np.cos(out) + 3.0 * np.exp(-(((out - look.light_from) / 0.15) ** 2))
    # Below the horizon the metal shows the table where the ray meets it, with its shadow.
    down = np.abs(out) > np.pi / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        run = (1 + np.cos(normal)) * np.abs(np.tan(np.pi - np.abs(out)))
    hit = np.where(down, np.abs(x) + np.clip(run, 0, 20), 0)
    table = table_light(np.sign(x) * np.maximum(hit, 1.0), look)
    light = np.where(down[..., None], table, sky[..., None])
    rim = (1 - np.cos(normal)) ** 5
    return light * (look.metal + (1 - look.metal) * rim[..., None])


def table_light(across: Floats, look: Look) -> Floats:
    depth = np.where(across < 0, look.shadow[0], look.shadow[1])
    dark = 1 - depth * np.exp(-np.maximum(np.abs(across) - 1, 0) / look.reach)
    # A sun is half a degree wide: its shadow's rim is soft over a hundredth of its length.
    seam = (1 + look.cast - across) / max(0.02 * look.cast, 1e-3)
    in_shadow = np.where(across > 0, 1 / (1 + np.exp(-np.clip(seam, -50, 50))), 0.0)
    dark = dark * (1 - look.cast_depth * (look.cast > 0) * in_shadow)
    return look.table * dark[..., None]


def draw(
    axis: Straight | Bent,
    width_px: float | Callable[[Floats], Floats],
    look: Look,
    *,
    size: tuple[int, int] = SIZE,
    seed: int = 0,
    over: int = 2,
    shadow_too: bool = False,
) -> tuple[Photo, Region]:
    """Return a photo of a piece and a rough region of it.

    Args:
        axis: Where it lies.
        width_px: True width in the photo: a number, or a function of where along it.
        look: Metal, light and camera.
        size: Photo width and height.
        seed: Of texture, noise and the mask's faults.
        over: Each pixel is the mean of this many squared samples.
        shadow_too: The region takes the cast shadow for part of the piece.
    """
    rng = np.random.default_rng(seed)
    w, h = size
    x, y = np.meshgrid(
        (np.arange(w * over, dtype=np.float32) + 0.5) / over - 0.5,
        (np.arange(h * over, dtype=np.float32) + 0.5) / over - 0.5,
    )
    side, along = axis.across_and_along(x, y)
    wide = width_px(along) if callable(width_px) else width_px
    across = side / (np.asarray(wide) / 2)
    ended = np.abs(along) > axis.length / 2
    solid = (np.abs(across) <= 1) & ~ended
    light = table_light(np.where(ended, np.float32(9), across), look)
    light[solid] = body_light(across[solid], look)
    light = cv2.resize(light, (w, h), interpolation=cv2.INTER_AREA)
    mask = cv2.resize(solid.astype(np.float32), (w, h), interpolation=cv2.INTER_AREA) > 0.5
    taken = ((across >= -1) & (across <= 1 + look.cast) & ~ended) if shadow_too else solid
    found = cv2.resize(taken.astype(np.float32), (w, h), interpolation=cv2.INTER_AREA) > 0.5
    grain = cv2.GaussianBlur(rng.normal(size=(h, w)), (0, 0), 1.5)
    light = light * np.where(mask, 1, 1 + look.texture * grain / grain.std())[..., None]
    light = cv2.GaussianBlur(light, (0, 0), look.blur_px)
    code = 255 * encoded(light) + rng.normal(size=light.shape) * 255 * look.noise
    rgb = np.clip(np.round(code), 0, 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, look.quality])
    decoded = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))
    return photo_of(np.ascontiguousarray(decoded[..., ::-1])), region_of(rough(found, rng))


def photo_of(rgb: NDArray[np.uint8]) -> Photo:
    return Photo(name="drawn", sha256="0" * 64, rgb=rgb)


def encoded(light: Floats) -> Floats:
    light = np.clip(light, 0, 1)
    # sRGB, IEC 61966-2-1
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def rough(mask: Mask, rng: np.random.Generator) -> Mask:
    """A mask as a finder gives it: moved by a pixel, a wavy rim, a bite or two."""
    field = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 2.0)
    wave = cv2.GaussianBlur(rng.normal(size=mask.shape).astype(np.float32), (0, 0), 6)
    return (field + 0.18 * wave / wave.std()) > rng.uniform(0.35, 0.55)


def region_of(mask: Mask) -> Region:
    x, y, w, h = cv2.boundingRect(mask.astype(np.uint8))
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(contours, key=cv2.contourArea)[:, 0].astype(np.float64)
    return Region(
        box_px=(x, y, w, h), mask=mask[y : y + h, x : x + w], outline_px=outline, score=1.0
    )


def scale_from_above(
    *, mm_per_px: float = 0.1, height_mm: float = 1e6, size: tuple[int, int] = SIZE
) -> Scale:
    """A scale without tilt; by default from so high that heights do not matter."""
    return Scale(
        reference="card",
        mm_from_px=np.diag([mm_per_px, mm_per_px, 1.0]),
        mm_per_px=mm_per_px,
        u_rel=0.0005,
        budget={"fit": 0.0005},
        tilt_deg=0.0,
        residual_px=0.1,
        outlines_px=(),
        camera_mm=(size[0] / 2 * mm_per_px, size[1] / 2 * mm_per_px, height_mm),
        u_camera_rel=0.0,
    )


def apparent_edges_mm(
    diameter_mm: float,
    *,
    axis_mm: float,
    camera_height_mm: float,
    face_height_mm: float = 0.0,
) -> tuple[float, float]:
    """Return where both edges of a cylinder on the table meet the face plane, mm.

    The other way round of :func:`vision.width.cylinder.diameter_of_cylinder`; ``axis_mm``
    is the axis's distance across from the foot of the camera.
    """
    height = camera_height_mm + face_height_mm
    radius = diameter_mm / 2
    middle = np.arctan2(axis_mm, height - radius)
    half = np.arcsin(radius / np.hypot(axis_mm, height - radius))
    return (
        float(camera_height_mm * np.tan(middle - half)),
        float(camera_height_mm * np.tan(middle + half)),
    )
