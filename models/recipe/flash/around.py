"""What a round piece on a table sees, and how its surface throws light back.

Formulas of smooth and of rough surfaces, and the surroundings in copies blurred as wide as a
surface's lobe, so that one look says what a rough mirror shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from models.recipe.look.camera import Camera
from models.recipe.look.lights import Light
from models.recipe.scene.rendering import COAT_INDEX
from vision.types import FloatArray as Array

DISC_PX = 160
BLURS = (0.02, 0.06, 0.14, 0.3, 0.6)
"""Widths of the surroundings' copies, radians."""

COARSE_FROM_PX = 4.0
"""Blurs from this width on are made on half as many points each way, from twice on a quarter."""

RIM = 1.15
"""The copies reach so far below the horizon, of a quarter turn."""


def fresnel(cosine: Array, index: float = COAT_INDEX) -> Array:
    """Return what a smooth dielectric reflects of unpolarised light (Born & Wolf, 1.5.2).

    >>> round(float(fresnel(np.array(1.0))), 3)
    0.04
    """
    inside = np.sqrt(1 - (1 - cosine**2) / index**2)
    parallel = (index * cosine - inside) / (index * cosine + inside)
    across = (cosine - index * inside) / (cosine + index * inside)
    return np.asarray((parallel**2 + across**2) / 2)


def dot(a: Array, b: Array) -> Array:
    """Return the products of vectors along the last axis."""
    return np.asarray((a * b).sum(axis=-1))


def unit(a: Array) -> Array:
    """Return vectors of length 1."""
    return np.asarray(a / np.maximum(np.linalg.norm(a, axis=-1, keepdims=True), 1e-12))


def lobe(half: Array, frame: tuple[Array, Array, Array], alpha: tuple[Array, Array]) -> Array:
    """Return the density of facets along ``half`` (GGX; Walter et al. 2007, Burley 2012)."""
    x, y, z = (dot(half, axis) for axis in frame)
    return np.asarray(
        1 / (np.pi * alpha[0] * alpha[1] * ((x / alpha[0]) ** 2 + (y / alpha[1]) ** 2 + z**2) ** 2)
    )


def shadowed(cosine: Array, alpha: Array) -> Array:
    """Return Smith's share of facets that see a direction (Walter et al. 2007, equation 34)."""
    return np.asarray(2 / (1 + np.sqrt(1 + alpha**2 * (1 / np.maximum(cosine, 1e-3) ** 2 - 1))))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Around:
    """The surroundings as a piece sees them.

    Attributes:
        copies: ``(len(BLURS), DISC_PX, DISC_PX, 3)`` radiance by angle from straight up.
        irradiance: ``(3,)`` on the level table.
        by_facing: Directions ``(n, 3)`` and what each sheds ``(n, 3)``, for matt surfaces.
    """

    copies: Array
    irradiance: Array
    by_facing: tuple[Array, Array]

    def seen(self, way: Array, width: Array) -> Array:
        """Return the radiance along ``way``, blurred ``width`` radians."""
        theta = np.arccos(np.clip(way[..., 2], -1, 1)) / (np.pi / 2 * RIM)
        flat = way[..., :2] / np.maximum(np.linalg.norm(way[..., :2], axis=-1, keepdims=True), 1e-9)
        at = ((flat * np.minimum(theta, 1)[..., None] + 1) / 2 * (DISC_PX - 1)).astype(np.float32)
        level = np.interp(np.log(np.maximum(width, 1e-3)), np.log(BLURS), range(len(BLURS)))
        low = np.clip(level.astype(int), 0, len(BLURS) - 2)
        share = (level - low)[..., None]
        looked = np.stack(
            [cv2.remap(c, at[..., 0], at[..., 1], cv2.INTER_LINEAR) for c in self.copies]
        )
        one = np.take_along_axis(looked, low[None, ..., None], 0)[0]
        other = np.take_along_axis(looked, low[None, ..., None] + 1, 0)[0]
        return np.asarray(one * (1 - share) + other * share)


def around(light: Light, camera: Camera, at: Array, *, albedo: Array) -> Around:
    """Return what a piece at a point of the table sees: sky or room, lamps, phone, table."""
    y, x = (np.mgrid[:DISC_PX, :DISC_PX] + 0.5) / DISC_PX * 2 - 1
    reach = np.hypot(x, y)
    theta, phi = np.minimum(reach, 1) * np.pi / 2 * RIM, np.arctan2(y, x) % (2 * np.pi)
    rows, columns = light.env.shape[:2]
    # A sun smaller than a place of the copies would fall between them.
    env = cv2.GaussianBlur(light.env, (0, 0), 1.2, borderType=cv2.BORDER_REPLICATE)
    env = np.maximum(env, 0)
    sky = cv2.remap(
        env, (phi / (2 * np.pi) * columns - 0.5).astype(np.float32),
        (theta / np.pi * rows - 0.5).astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float64)  # fmt: skip
    way = np.stack([np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)], -1)
    cell = (2 / DISC_PX) ** 2 * (np.pi / 2 * RIM) ** 2 * np.sinc(theta / np.pi)
    for emitter in light.emitters:
        to = emitter.centre_mm - at
        far = float(np.linalg.norm(to))
        facing = max(float(unit(emitter.target_mm - emitter.centre_mm) @ -to) / far, 0.0)
        spread = max(emitter.size_mm / far / 2, 0.02)
        spot = np.exp(-0.5 * (np.arccos(np.clip(way @ (to / far), -1, 1)) / spread) ** 2)
        power = emitter.radiance * emitter.size_mm**2 * facing / far**2
        sky += spot[..., None] / (spot * cell).sum() * power
    # The phone between: a dark slab behind the lens.
    up = np.maximum(way[..., 2:], 1e-3)
    rel = at + way * (camera.origin_mm[2] / up) - camera.origin_mm
    side, along = rel @ camera.right, rel @ camera.down
    sky[(np.abs(side + 19.5) < 37.5) & (np.abs(along - 63) < 75) & (way[..., 2] > 0)] *= 0.02
    below = way[..., 2] <= 0
    level = np.where(below, 0, way[..., 2] * cell)
    irradiance = (sky * level[..., None]).sum(axis=(0, 1))
    sky[below] = albedo * irradiance / np.pi
    step = np.pi * RIM / DISC_PX
    blurred = [_blurred(sky, width / step) for width in BLURS]
    copies = np.maximum(np.stack(blurred), 0).astype(np.float32)
    coarse = slice(2, None, 5)
    return Around(
        copies=copies,
        irradiance=irradiance.astype(np.float32),
        by_facing=(
            way[coarse, coarse].reshape(-1, 3),
            (copies[2] * (cell * (reach < 1) * 25)[..., None])[coarse, coarse].reshape(-1, 3),
        ),
    )


def _blurred(sky: Array, width_px: float) -> Array:
    """Return a blurred copy; a wide blur is made on fewer points, which it cannot show."""
    # In double precision: sums that run over a sun leave less than nothing behind it.
    times = 1 if width_px < COARSE_FROM_PX else 2 if width_px < 2 * COARSE_FROM_PX else 4
    side = DISC_PX // times
    small = cv2.resize(sky, (side, side), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), width_px / times)
    return np.asarray(cv2.resize(small, (DISC_PX, DISC_PX), interpolation=cv2.INTER_LINEAR))
