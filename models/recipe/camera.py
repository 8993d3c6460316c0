"""A phone camera: where it is, how points fall on the photo, what it does to light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.recipe.meshes import Array
from models.recipe.noise import Rng
from models.recipe.optics import blackbody_rgb

# Diagonal of a 36 x 24 mm frame; phones state equivalence by it (CIPA DCG-001).
FULL_FRAME_DIAGONAL_MM = 43.267


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Camera:
    """A pinhole that looks at the table, with a window of its picture.

    Pixels are counted on the whole picture, centre of the first at (0, 0). The
    window is ``(x, y, width, height)``.
    """

    origin_mm: Array
    forward: Array
    right: Array
    down: Array
    focal_px: float
    width_px: int
    height_px: int
    window: tuple[int, int, int, int]
    focal_35mm: float
    tilt_deg: float
    aperture_mm: float
    focus_mm: float

    def project(self, points_mm: Array) -> Array:
        """Return where points ``(n, 3)`` fall in the window, ``(n, 2)`` pixels."""
        d = points_mm - self.origin_mm
        z = d @ self.forward
        x = self.focal_px * (d @ self.right) / z + (self.width_px - 1) / 2 - self.window[0]
        y = self.focal_px * (d @ self.down) / z + (self.height_px - 1) / 2 - self.window[1]
        return np.stack([x, y], axis=1)

    def rays(self) -> Array:
        """Return directions ``(height, width, 3)`` through the pixel centres."""
        x0, y0, w, h = self.window
        x = (np.arange(w) + x0 - (self.width_px - 1) / 2) / self.focal_px
        y = (np.arange(h) + y0 - (self.height_px - 1) / 2) / self.focal_px
        d = (
            self.forward
            + x[None, :, None] * self.right[None, None]
            + y[:, None, None] * self.down[None, None]
        )
        unit: Array = d / np.linalg.norm(d, axis=-1, keepdims=True)
        return unit

    def on_plane(self, xy_px: Array, *, z_mm: float = 0.0) -> Array:
        """Return the table points under whole-picture pixels ``(n, 2)``."""
        x = (xy_px[:, 0] - (self.width_px - 1) / 2) / self.focal_px
        y = (xy_px[:, 1] - (self.height_px - 1) / 2) / self.focal_px
        d = self.forward + x[:, None] * self.right + y[:, None] * self.down
        t = (z_mm - self.origin_mm[2]) / d[:, 2]
        hit: Array = self.origin_mm[:2] + t[:, None] * d[:, :2]
        return hit


def make_camera(
    rng: Rng,
    *,
    size_px: tuple[int, int],
    height_mm: float,
    target_mm: Array,
    focal_35mm: float,
    tilt_deg: float,
    window: tuple[int, int, int, int] | None = None,
    focus_z_mm: float = 1.0,
) -> Camera:
    """Return a camera ``height_mm`` over the table, tilted towards ``target_mm``."""
    width, height = size_px
    focal_px = focal_35mm / FULL_FRAME_DIAGONAL_MM * float(np.hypot(width, height))
    tilt, way = np.deg2rad(tilt_deg), rng.uniform(0, 2 * np.pi)
    lean = np.array([np.sin(tilt) * np.cos(way), np.sin(tilt) * np.sin(way), -np.cos(tilt)])
    origin = np.array([*target_mm[:2], 0.0]) - lean * height_mm / np.cos(tilt)
    roll = rng.uniform(0, 2 * np.pi)
    side = np.array([np.cos(roll), np.sin(roll), 0.0])
    right = side - lean * (side @ lean)
    right /= np.linalg.norm(right)
    down = np.cross(lean, right)
    # Entrance pupil of phone lenses, f 4 to 7 mm at f/1.5 to f/2.4: 1 to 2.3 mm radius.
    aperture = float(rng.uniform(0.5, 2.0))
    return Camera(
        origin_mm=origin,
        forward=lean,
        right=right,
        down=down,
        focal_px=focal_px,
        width_px=width,
        height_px=height,
        window=window or (0, 0, width, height),
        focal_35mm=focal_35mm,
        tilt_deg=float(tilt_deg),
        aperture_mm=aperture,
        focus_mm=float((height_mm - focus_z_mm) / np.cos(tilt)),
    )


MATTE_WHITE = 0.88
"""Reflectance of white paper or a white card, as references show it (common values 0.85-0.92)."""


def _to_srgb(x: NDArray[np.float32]) -> NDArray[np.float32]:
    x = np.clip(x, 0, None)
    out = np.where(
        x <= 0.0031308, 12.92 * x, 1.055 * np.power(np.maximum(x, 1e-8), 1 / 2.4) - 0.055
    )
    return out.astype(np.float32)


def _from_srgb(y: NDArray[np.float32]) -> Array:
    y = np.clip(y, 0, 1).astype(np.float64)
    return np.where(y <= 0.04045, y / 12.92, ((y + 0.055) / 1.055) ** 2.4)


def develop(  # noqa: PLR0915 - one step of a camera after the other
    linear: NDArray[np.float32],
    *,
    rng: Rng,
    camera: Camera,
    irradiance: Array,
    scene_albedo: float,
    gentle: bool = False,
) -> tuple[NDArray[np.uint8], Array]:
    """Return the RGB photo a phone would make of linear radiance, and white in it.

    White is what a matte white lying level in the open light comes out as: decoded
    by the sRGB curve, ``(3,)``, as one would read it off a reference.

    White balance with error, exposure, vignette, blur, sensor noise, denoising,
    local and global tone, sharpening. ``gentle`` keeps to good photos.
    """
    x = linear.astype(np.float32)
    h, w = x.shape[:2]
    matte = (irradiance / np.pi * MATTE_WHITE).astype(np.float32)
    # White balance: the camera takes out most of the light's colour, then errs.
    white = irradiance / irradiance[1]
    kept = rng.uniform(0.0, 0.12 if gentle else 0.28)
    error = blackbody_rgb(
        float(1e6 / np.clip(1e6 / 6500 + rng.normal(0, 10 if gentle else 18), 80, 260))
    )
    error /= blackbody_rgb(6500)
    tint = np.array([1.0, 1 + rng.normal(0, 0.01 if gentle else 0.02), 1.0])
    balance = (error * tint / np.power(white, 1 - kept)).astype(np.float32)
    x = x * balance
    # Exposure from what the whole scene should be and from what this window is.
    expected = float(irradiance[1]) / np.pi * scene_albedo
    seen = float(np.mean(x[..., 1])) + 1e-6
    top = float(np.quantile(x[::4, ::4, 1], 0.97)) + 1e-6
    ev = np.clip(rng.normal(0, 0.25 if gentle else 0.45), -1.1, 1.2)
    gain = 0.21 * 2.0**ev / (expected**0.35 * seen**0.45 * (top / 2.2) ** 0.2)
    x = x * np.float32(gain)
    matte = matte * balance * np.float32(gain)
    x0, y0 = camera.window[:2]
    u = (np.arange(w) + x0 - camera.width_px / 2) / camera.width_px * 2
    v = (np.arange(h) + y0 - camera.height_px / 2) / camera.width_px * 2
    fall = 1 - rng.uniform(0, 0.18) * (u[None, :] ** 2 + v[:, None] ** 2)
    x *= fall[..., None].astype(np.float32)
    soft = rng.uniform(0.35, 0.8 if gentle else 1.1)
    x = cv2.GaussianBlur(x, (0, 0), soft)
    if rng.random() < (0.0 if gentle else 0.12):
        length = int(rng.integers(3, 9))
        kernel = np.zeros((length, length), np.float32)
        cv2.line(
            kernel, (0, int(rng.integers(length))), (length - 1, int(rng.integers(length))), 1.0
        )
        x = cv2.filter2D(x, -1, kernel / kernel.sum())
    # Shot noise grows with signal, read noise does not (EMVA 1288 model).
    shot = np.exp(rng.uniform(np.log(2e-5), np.log(4e-4 if gentle else 2.5e-3)))
    read = rng.uniform(0.0005, 0.002 if gentle else 0.006)
    noise_rng = np.random.default_rng(int(rng.integers(2**63)))
    sigma = np.sqrt(shot * np.clip(x, 0, 4) + read**2)
    x = x + sigma * noise_rng.standard_normal(x.shape, np.float32)
    x = np.clip(x, 0, 16).astype(np.float32)
    # The phone's own denoising: chroma blurred, luma a little.
    luma = x @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    chroma = cv2.GaussianBlur(x - luma[..., None], (0, 0), rng.uniform(0.6, 1.6))
    if rng.random() < 0.6:
        luma = cv2.GaussianBlur(luma, (0, 0), rng.uniform(0.3, 0.7))
    x = np.clip(luma[..., None] + chroma, 0, None)
    # Local tone: shadows lifted as HDR modes do.
    local = rng.uniform(0, 0.15 if gentle else 0.35) * (rng.random() < 0.6)
    if local > 0.01:
        base = cv2.GaussianBlur(np.clip(luma, 0, 1.5), (0, 0), max(h, w) / 16) + 0.02
        x = x * ((float(base.mean()) / base) ** local)[..., None]
    if rng.random() < 0.6:  # a shoulder instead of a hard clip
        knee = rng.uniform(0.6, 0.9)
        x, matte = _shoulder(x, knee), _shoulder(matte, knee)
    saturation = rng.uniform(0.95, 1.15)
    contrast = rng.uniform(-0.05, 0.10 if gentle else 0.16)
    y, matte = _tone(x, saturation, contrast), _tone(matte, saturation, contrast)
    amount = rng.uniform(0, 0.6 if gentle else 1.0)
    y = y + amount * (y - cv2.GaussianBlur(y, (0, 0), rng.uniform(0.8, 1.6)))
    return np.clip(y * 255 + 0.5, 0, 255).astype(np.uint8), _from_srgb(matte)


def _shoulder(x: NDArray[np.float32], knee: float) -> NDArray[np.float32]:
    over = np.maximum(x - knee, 0)
    bent = np.minimum(x, knee) + (1 - knee) * (1 - np.exp(-over / (1 - knee)))
    return np.asarray(bent, dtype=np.float32)


def _tone(x: NDArray[np.float32], saturation: float, contrast: float) -> NDArray[np.float32]:
    """Return sRGB codes, 0 to 1, of linear ``(..., 3)`` after saturation and contrast."""
    x = np.clip(x, 0, 1)
    grey = (x @ np.array([0.2126, 0.7152, 0.0722], np.float32))[..., None]
    y = _to_srgb(np.clip(grey + (x - grey) * saturation, 0, 1))
    return np.asarray(y + contrast * np.sin(2 * np.pi * (y - 0.5)) / np.pi, dtype=np.float32)
