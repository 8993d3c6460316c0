"""Drawn photos of flat references: a table, a card with thickness, markers, a camera.

Everything is composed in linear light at twice the photo's resolution, then blurred,
coded by the sRGB curve, given noise and packed as JPEG, so truth is known exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.types import FloatArray, Photo

TEXTURE_PX_PER_MM = 4.0
OVERSAMPLING = 2


@dataclass(frozen=True, kw_only=True)
class Camera:
    """A pinhole over the table; ``px_from_mm(z)`` maps a plane z mm above the table."""

    rotation: FloatArray
    shift: FloatArray
    focal_px: float
    width_px: int
    height_px: int

    def px_from_mm(self, z_mm: float = 0.0) -> FloatArray:
        middle = ((self.width_px - 1) / 2, (self.height_px - 1) / 2)
        lens = np.array([[self.focal_px, 0, middle[0]], [0, self.focal_px, middle[1]], [0, 0, 1]])
        # z in the table's frame runs into the table, so that x and y keep the photo's sense
        third = self.shift - self.rotation[:, 2] * z_mm
        matrix: FloatArray = lens @ np.column_stack(
            [self.rotation[:, 0], self.rotation[:, 1], third]
        )
        return matrix

    def project(self, points_mm: FloatArray, z_mm: float = 0.0) -> FloatArray:
        mapped = np.column_stack([points_mm, np.ones(len(points_mm))]) @ self.px_from_mm(z_mm).T
        result: FloatArray = mapped[:, :2] / mapped[:, 2:]
        return result


def camera_over(
    rng: np.random.Generator,
    *,
    height_mm: float = 250.0,
    tilt_deg: float = 0.0,
    roll_deg: float | None = None,
    look_at_mm: tuple[float, float] = (0.0, 0.0),
    size_px: tuple[int, int] = (1600, 1200),
    equivalent_mm: float = 26.0,
) -> Camera:
    width, height = size_px
    focal = equivalent_mm / 43.27 * float(np.hypot(width, height))
    azimuth = rng.uniform(0, 2 * np.pi)
    roll = rng.uniform(0, 360) if roll_deg is None else roll_deg
    lean = np.array([np.cos(azimuth), np.sin(azimuth), 0.0]) * np.radians(tilt_deg)
    rotation = cv2.Rodrigues(lean)[0] @ cv2.Rodrigues(np.array([0, 0, np.radians(roll)]))[0]
    shift = np.array([0, 0, height_mm]) - rotation @ np.array([*look_at_mm, 0.0])
    return Camera(rotation=rotation, shift=shift, focal_px=focal, width_px=width, height_px=height)


def encode(linear: FloatArray) -> FloatArray:
    """Code 0 to 1 by the sRGB curve (IEC 61966-2-1)."""
    linear = np.clip(linear, 0, 1)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def photo_of(
    linear: FloatArray,
    *,
    rng: np.random.Generator,
    blur_px: float = 1.0,
    noise: float = 2.0,
    quality: int = 90,
    focal_px: float | None = None,
) -> Photo:
    """Turn ``(height, width, 3)`` linear light at photo size into a Photo."""
    if blur_px > 0:
        linear = cv2.GaussianBlur(linear, (0, 0), blur_px)
    code = encode(linear) * 255 + rng.normal(0, noise, linear.shape)
    rgb = np.clip(code + 0.5, 0, 255).astype(np.uint8)
    packed = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    rgb = np.ascontiguousarray(np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR))[..., ::-1])
    return Photo(name="drawn", sha256="", rgb=rgb, focal_px=focal_px)


def noise_field(
    rng: np.random.Generator, shape: tuple[int, int], grain_px: float, stretch: float = 1.0
) -> FloatArray:
    """Smooth noise of standard deviation 1 with a grain of that size."""
    rows, columns = shape
    small = (max(4, round(rows / grain_px)), max(4, round(columns / grain_px / stretch)))
    field = cv2.resize(
        rng.normal(0, 1, small).astype(np.float32), (columns, rows), interpolation=cv2.INTER_CUBIC
    )
    return field / max(float(field.std()), 1e-6)


def table_texture(rng: np.random.Generator, kind: str, size_mm: float) -> FloatArray:
    """``(n, n, 3)`` linear light of a table: paper, dark, concrete, wood, cloth."""
    n = round(size_mm * TEXTURE_PX_PER_MM)
    base = {
        "paper": (0.80, 0.79, 0.77),
        "dark": (0.03, 0.03, 0.035),
        "concrete": (0.32, 0.31, 0.29),
        "wood": (0.42, 0.25, 0.13),
        "cloth": (0.08, 0.12, 0.25),
    }[kind]
    level = np.ones((n, n), np.float32)
    if kind == "wood":
        for grain, amount in ((4, 0.05), (14, 0.10), (60, 0.12)):
            level += amount * noise_field(rng, (n, n), grain, stretch=14)
    elif kind == "concrete":
        for grain, amount in ((2, 0.05), (9, 0.06), (70, 0.08)):
            level += amount * noise_field(rng, (n, n), grain)
    elif kind == "cloth":
        at = np.arange(n) / TEXTURE_PX_PER_MM * 2 * np.pi / 0.9
        level += 0.12 * np.sin(at)[:, None] + 0.12 * np.sin(at)[None, :]
        level += 0.08 * noise_field(rng, (n, n), 5)
    else:
        level += 0.015 * noise_field(rng, (n, n), 3) + 0.03 * noise_field(rng, (n, n), 200)
    texture: FloatArray = np.clip(level, 0.05, 3)[..., None] * np.array(base, np.float32)
    return texture.astype(np.float32)


def rounded_box(
    n: int, px_per_mm: float, size_mm: tuple[float, float], radius_mm: float
) -> FloatArray:
    """``(n, n)`` coverage of a rounded box centred in the texture, antialiased."""
    at = (np.arange(n) + 0.5) / px_per_mm - n / px_per_mm / 2
    x = np.abs(at)[None, :] - size_mm[0] / 2 + radius_mm
    y = np.abs(at)[:, None] - size_mm[1] / 2 + radius_mm
    outside = np.hypot(np.maximum(x, 0), np.maximum(y, 0)) + np.minimum(np.maximum(x, y), 0)
    cover: FloatArray = np.clip(0.5 - (outside - radius_mm) * px_per_mm, 0, 1).astype(np.float32)
    return cover


def card_print(rng: np.random.Generator, kind: str, n: int, px_per_mm: float) -> FloatArray:
    """``(n, n, 3)`` linear light of a card's face: plain, white, dark, stripes, busy."""
    colour = rng.uniform(0.03, 0.8, 3).astype(np.float32)
    if kind == "white":
        colour = np.full(3, rng.uniform(0.7, 0.85), np.float32)
    if kind == "dark":
        colour = np.full(3, rng.uniform(0.01, 0.04), np.float32)
    face = np.tile(colour, (n, n, 1))
    at = (np.arange(n) + 0.5) / px_per_mm - n / px_per_mm / 2
    if kind == "stripes":
        second = rng.uniform(0.02, 0.9, 3)
        wave = np.sin(at * 2 * np.pi / rng.uniform(6, 25) + rng.uniform(0, 6)) > 0
        face[wave] = second
    if kind == "busy":
        x, y = np.meshgrid(at, at)
        face = face * (1 + 0.5 * np.sin(x / 23 + rng.uniform(0, 6)) * np.cos(y / 17))[..., None]
        face[(y > 10) & (y < 21)] = rng.uniform(0.01, 0.1)
        photo = (x > -36) & (x < -14) & (y > -18) & (y < 6)
        face[photo] = rng.uniform(0.1, 0.8, 3)
        for row in (-15, -11, -7):
            text = (np.abs(y - row) < 1) & (x > -8) & (x < 30) & (np.sin(x * 3.1 + row) > 0.1)
            face[text] = 0.02
    return np.clip(face, 0.005, 0.95).astype(np.float32)


def card_photo(
    rng: np.random.Generator,
    camera: Camera,
    *,
    table: str,
    face: str,
    size_mm: tuple[float, float] = (85.60, 53.98),
    radius_mm: float = 3.18,
    thickness_mm: float = 0.76,
    shadow: float = 0.4,
    blur_px: float = 1.0,
    noise: float = 2.0,
    light: tuple[float, float, float] = (1.0, 1.0, 1.0),
    exposure: float = 1.0,
    cover_mm: tuple[float, float, float, float] | None = None,
    focal_known: bool = False,
) -> Photo:
    """Draw a card centred on the table's origin, long side along x.

    ``cover_mm`` is a box ``(x0, y0, x1, y1)`` of grey metal laid over the card.
    """
    size = (camera.width_px * OVERSAMPLING, camera.height_px * OVERSAMPLING)
    finer = np.array(
        [
            [OVERSAMPLING, 0, (OVERSAMPLING - 1) / 2],
            [0, OVERSAMPLING, (OVERSAMPLING - 1) / 2],
            [0, 0, 1.0],
        ]
    )

    def onto(texture: FloatArray, px_per_mm: float, z_mm: float, border: int) -> FloatArray:
        n = texture.shape[0]
        half = n / px_per_mm / 2
        mm_from_texture = np.array(
            [
                [1 / px_per_mm, 0, 0.5 / px_per_mm - half],
                [0, 1 / px_per_mm, 0.5 / px_per_mm - half],
                [0, 0, 1],
            ]
        )
        matrix = finer @ camera.px_from_mm(z_mm) @ mm_from_texture
        return cv2.warpPerspective(
            texture, matrix, size, flags=cv2.INTER_LINEAR, borderMode=border, borderValue=0
        )

    scene = onto(table_texture(rng, table, 300.0), TEXTURE_PX_PER_MM, 0.0, cv2.BORDER_REFLECT_101)
    fine = 8.0
    n = round((max(size_mm) + 12) * fine)
    cover = rounded_box(n, fine, size_mm, radius_mm)
    dark = cv2.GaussianBlur(cover, (0, 0), rng.uniform(0.6, 2.0) * fine)
    aside, down = rng.uniform(-0.8, 0.8, 2) * fine
    push = np.array([[1, 0, aside], [0, 1, down]], np.float32)
    dark = cv2.warpAffine(dark, push, (n, n))
    scene = scene * (1 - shadow * onto(dark, fine, 0.0, cv2.BORDER_CONSTANT))[..., None]
    printed = card_print(rng, face, n, fine)
    wall = np.median(printed.reshape(-1, 3), axis=0) * 0.6 + 0.05
    for z_mm in np.linspace(0, thickness_mm, 4)[:-1]:
        alpha = onto(cover, fine, float(z_mm), cv2.BORDER_CONSTANT)
        x, y, w, h = cv2.boundingRect((alpha > 0).astype(np.uint8))
        part, share = scene[y : y + h, x : x + w], alpha[y : y + h, x : x + w, None]
        part += share * (wall.astype(np.float32) - part)
    alpha = onto(cover, fine, thickness_mm, cv2.BORDER_CONSTANT)
    x, y, w, h = cv2.boundingRect((alpha > 0).astype(np.uint8))
    part, share = scene[y : y + h, x : x + w], alpha[y : y + h, x : x + w, None]
    face_seen = onto(printed, fine, thickness_mm, cv2.BORDER_REPLICATE)
    part += share * (face_seen[y : y + h, x : x + w] - part)
    if cover_mm is not None:
        x0, y0, x1, y1 = cover_mm
        quad = (
            finer
            @ np.column_stack(
                [camera.project(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])), np.ones(4)]
            ).T
        )
        cv2.fillConvexPoly(scene, np.round(quad[:2].T).astype(np.int32), (0.3, 0.2, 0.15))
    linear = cv2.resize(scene, (camera.width_px, camera.height_px), interpolation=cv2.INTER_AREA)
    across = np.linspace(-1, 1, camera.width_px, dtype=np.float32)
    falloff = 1 + 0.15 * (
        rng.uniform(-1, 1) * across[None, :]
        + rng.uniform(-1, 1) * np.linspace(-1, 1, camera.height_px, dtype=np.float32)[:, None]
    )
    linear = linear * (exposure * falloff)[..., None] * np.array(light, np.float32)
    return photo_of(
        linear,
        rng=rng,
        blur_px=blur_px,
        noise=noise,
        focal_px=camera.focal_px if focal_known else None,
    )
