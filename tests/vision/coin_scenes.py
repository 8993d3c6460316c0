"""Drawn photos of coins: a table with a lamp's shadow, coins with rim, relief and wall."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from tests.vision.flat_scenes import (
    OVERSAMPLING,
    TEXTURE_PX_PER_MM,
    Camera,
    noise_field,
    photo_of,
    table_texture,
)
from vision.types import FloatArray, Photo

METALS = {
    "copper": ((0.42, 0.19, 0.11), (0.42, 0.19, 0.11)),
    "golden": ((0.50, 0.38, 0.16), (0.50, 0.38, 0.16)),
    "white": ((0.46, 0.44, 0.40), (0.46, 0.44, 0.40)),
    "golden_ring": ((0.46, 0.44, 0.40), (0.50, 0.38, 0.16)),
    "white_ring": ((0.50, 0.38, 0.16), (0.46, 0.44, 0.40)),
}
"""Linear light of middle and ring, near what euro coins show in daylight photos."""


@dataclass(frozen=True, kw_only=True)
class DrawnCoin:
    at_mm: tuple[float, float] = (0.0, 0.0)
    diameter_mm: float = 23.25
    thickness_mm: float = 2.33
    metal: str = "golden_ring"


def true_mm_per_px(camera: Camera, one: DrawnCoin) -> float:
    """Depth of the middle of the coin's face over the focal length: the scale there."""
    point = camera.rotation @ np.array([*one.at_mm, -one.thickness_mm]) + camera.shift
    return float(point[2] / camera.focal_px)


def _face(rng: np.random.Generator, one: DrawnCoin, n: int, px_per_mm: float) -> FloatArray:
    """``(n, n, 3)`` linear light: raised rim lit from one side, relief, joint of metals."""
    at = (np.arange(n) + 0.5) / px_per_mm - n / px_per_mm / 2
    x, y = np.meshgrid(at, at)
    r, angle = np.hypot(x, y), np.arctan2(y, x)
    middle, ring = (np.array(c, np.float32) for c in METALS[one.metal])
    radius = one.diameter_mm / 2
    inner = np.clip((0.7 * radius - r) * px_per_mm + 0.5, 0, 1)[..., None]
    colour = inner * middle + (1 - inner) * ring
    lit = np.cos(angle - rng.uniform(0, 2 * np.pi))
    height = cv2.GaussianBlur(
        (noise_field(rng, (n, n), 1.2 * px_per_mm) > 0.8).astype(np.float32),
        (0, 0),
        0.12 * px_per_mm,
    )
    relief = cv2.Sobel(height, cv2.CV_32F, 1, 0) * px_per_mm * 0.2
    shade = 1 + 0.5 * np.clip(relief, -1, 1) * (r < 0.9 * radius)
    shade = shade + 0.35 * lit * np.exp(-(((r - 0.94 * radius) / 0.15) ** 2))
    shade = shade - 0.25 * lit * np.exp(-(((r - 0.985 * radius) / 0.12) ** 2))
    shade = shade * (1 + 0.06 * noise_field(rng, (n, n), 4 * px_per_mm))
    return np.clip(colour * shade[..., None], 0.01, 1.2).astype(np.float32)


def coin_photo(
    rng: np.random.Generator,
    camera: Camera,
    coins: Sequence[DrawnCoin],
    *,
    table: str = "paper",
    shadow: float = 0.45,
    blur_px: float = 0.9,
    noise: float = 2.0,
    light: tuple[float, float, float] = (1.0, 1.0, 1.0),
    focal_known: bool = True,
) -> Photo:
    """Draw coins on a table under one lamp, which throws their shadows to one side."""
    size = (camera.width_px * OVERSAMPLING, camera.height_px * OVERSAMPLING)
    finer = np.diag([OVERSAMPLING, OVERSAMPLING, 1.0])
    finer[:2, 2] = (OVERSAMPLING - 1) / 2

    def onto(
        texture: FloatArray, px_per_mm: float, at_mm: tuple[float, float], z_mm: float, border: int
    ) -> FloatArray:
        half = texture.shape[0] / px_per_mm / 2
        place = np.array(
            [
                [1 / px_per_mm, 0, 0.5 / px_per_mm - half + at_mm[0]],
                [0, 1 / px_per_mm, 0.5 / px_per_mm - half + at_mm[1]],
                [0, 0, 1],
            ]
        )
        matrix = finer @ camera.px_from_mm(z_mm) @ place
        return cv2.warpPerspective(
            texture, matrix, size, flags=cv2.INTER_LINEAR, borderMode=border, borderValue=0
        )

    scene = onto(
        table_texture(rng, table, 160.0), TEXTURE_PX_PER_MM, (0, 0), 0.0, cv2.BORDER_REFLECT_101
    )
    fine = 10.0
    lamp = rng.uniform(0, 2 * np.pi)
    for one in coins:
        n = round((one.diameter_mm + 8) * fine)
        at = (np.arange(n) + 0.5) / fine - n / fine / 2
        r = np.hypot(*np.meshgrid(at, at))
        cover = np.clip((one.diameter_mm / 2 - r) * fine + 0.5, 0, 1).astype(np.float32)
        dark = np.zeros_like(cover)
        for share in np.linspace(0, 1, 5):  # a lamp 30 degrees off the plumb line
            reach = share * one.thickness_mm * 0.58 * fine
            push = np.array(
                [[1, 0, reach * np.cos(lamp)], [0, 1, reach * np.sin(lamp)]], np.float32
            )
            soft = cv2.GaussianBlur(cover, (0, 0), (0.05 + 0.25 * share) * fine)
            dark = np.maximum(dark, cv2.warpAffine(soft, push, (n, n)))
        scene = (
            scene * (1 - shadow * onto(dark, fine, one.at_mm, 0.0, cv2.BORDER_CONSTANT))[..., None]
        )
        wall = np.array(METALS[one.metal][1], np.float32) * 0.35
        for z_mm in np.linspace(0, one.thickness_mm, 5)[:-1]:
            alpha = onto(cover, fine, one.at_mm, float(z_mm), cv2.BORDER_CONSTANT)[..., None]
            scene = scene * (1 - alpha) + alpha * wall
        alpha = onto(cover, fine, one.at_mm, one.thickness_mm, cv2.BORDER_CONSTANT)[..., None]
        face = onto(
            _face(rng, one, n, fine), fine, one.at_mm, one.thickness_mm, cv2.BORDER_REPLICATE
        )
        scene = scene * (1 - alpha) + alpha * face
    linear = cv2.resize(scene, (camera.width_px, camera.height_px), interpolation=cv2.INTER_AREA)
    return photo_of(
        linear * np.array(light, np.float32),
        rng=rng,
        blur_px=blur_px,
        noise=noise,
        focal_px=camera.focal_px if focal_known else None,
    )
