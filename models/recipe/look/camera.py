"""A phone camera: where it is, how points fall on the photo, what it does to light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from models.recipe.look.noise import Rng
from models.recipe.look.optics import blackbody_rgb
from models.recipe.scene.meshes import Array

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

    def limbs(self, axis_mm: Array, *, diameter_mm: float) -> Array:
        """Return where the two sides of a round run fall in the window, ``(n, 4)`` pixels.

        At each point of the axis the run is taken for a straight cylinder: its sides are
        where rays from the lens touch it.

        Args:
            axis_mm: ``(n, 3)`` the centre line.
            diameter_mm: Of the run.
        """
        along = np.gradient(axis_mm, axis=0)
        along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-12)
        to_lens = self.origin_mm - axis_mm
        to_lens = to_lens - (to_lens * along).sum(axis=1, keepdims=True) * along
        away = np.linalg.norm(to_lens, axis=1, keepdims=True)
        to_lens = to_lens / away
        across = np.cross(along, to_lens)
        radius = diameter_mm / 2
        lean = radius / away
        beside = np.sqrt(np.clip(1 - lean**2, 0, 1))
        sides = [
            self.project(axis_mm + radius * (lean * to_lens + sign * beside * across))
            for sign in (-1.0, 1.0)
        ]
        return np.concatenate(sides, axis=1)

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
    focus_z_mm: float = 1.0,
    roll_deg: float | None = None,
) -> Camera:
    """Return a camera ``height_mm`` over the table, tilted towards ``target_mm``.

    ``roll_deg`` turns the picture's width against the table's x; any way round where None.
    """
    width, height = size_px
    focal_px = focal_35mm / FULL_FRAME_DIAGONAL_MM * float(np.hypot(width, height))
    tilt, way = np.deg2rad(tilt_deg), rng.uniform(0, 2 * np.pi)
    lean = np.array([np.sin(tilt) * np.cos(way), np.sin(tilt) * np.sin(way), -np.cos(tilt)])
    origin = np.array([*target_mm[:2], 0.0]) - lean * height_mm / np.cos(tilt)
    roll = rng.uniform(0, 2 * np.pi) if roll_deg is None else np.deg2rad(roll_deg)
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
        window=(0, 0, width, height),
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


def develop(
    linear: NDArray[np.float32],
    *,
    rng: Rng,
    camera: Camera,
    irradiance: Array,
    scene_albedo: float,
    gentle: bool = False,
    habits: Habits | None = None,
) -> tuple[NDArray[np.uint8], Array]:
    """Return the RGB photo a phone would make of linear radiance, and white in it.

    White is what a matte white lying level in the open light comes out as: decoded
    by the sRGB curve, ``(3,)``, as one would read it off a reference.

    White balance with error, exposure, vignette, blur, sensor noise, denoising,
    local and global tone, sharpening, repeated saving. ``gentle`` keeps to good photos,
    ``habits`` says how far they stray where neither the good nor the usual is meant.
    """
    x = linear.astype(np.float32)
    h, w = x.shape[:2]
    habits = habits or (GOOD if gentle else USUAL)
    matte = (irradiance / np.pi * MATTE_WHITE).astype(np.float32)
    balance = _balance(irradiance, rng=rng, habits=habits)
    x = x * balance
    matte = matte * balance
    gain = np.float32(
        _gain(x, matte=matte, irradiance=irradiance, albedo=scene_albedo, rng=rng, habits=habits)
    )
    x, matte = x * gain, matte * gain
    x0, y0 = camera.window[:2]
    u = (np.arange(w) + x0 - camera.width_px / 2) / camera.width_px * 2
    v = (np.arange(h) + y0 - camera.height_px / 2) / camera.width_px * 2
    fall = 1 - rng.uniform(0, 0.18) * (u[None, :] ** 2 + v[:, None] ** 2)
    x *= fall[..., None].astype(np.float32)
    if rng.random() < habits.veiled:  # a smeared lens veils the whole
        x = x + np.float32(rng.uniform(0.01, 0.10)) * x.mean(axis=(0, 1))
    x = _blurred(x, rng=rng, habits=habits)
    x = _noisy(x, rng=rng, habits=habits)
    # Local tone: shadows lifted as HDR modes do.
    luma = x @ LUMA
    local = rng.uniform(0, habits.local_tone) * (rng.random() < 0.6)
    if local > 0.01:
        reach = max(h, w) / rng.uniform(8, 30)
        base = cv2.GaussianBlur(np.clip(luma, 0, 1.5), (0, 0), reach) + 0.02
        x = x * ((float(base.mean()) / base) ** local)[..., None]
    if rng.random() < 0.6:  # a shoulder instead of a hard clip
        knee = rng.uniform(0.6, 0.9)
        x, matte = _shoulder(x, knee), _shoulder(matte, knee)
    saturation = rng.uniform(*habits.saturation)
    contrast = rng.uniform(*habits.contrast)
    y, matte = _tone(x, saturation, contrast), _tone(matte, saturation, contrast)
    if rng.random() < habits.smeared:  # night modes paint fine texture over
        reach, tones, away = (int(rng.choice([5, 7])), rng.uniform(0.03, 0.12),
                              rng.uniform(1.5, 4.0))  # fmt: skip
        y = np.asarray(cv2.bilateralFilter(y, reach, tones, away), np.float32)
    if rng.random() < habits.crisp:  # clarity: the same over a wide reach, halos round things
        wide = cv2.GaussianBlur(y, (0, 0), max(h, w) / rng.uniform(25, 90))
        y = y + rng.uniform(0.1, 0.45) * (y - wide)
        amount = rng.uniform(0.8, 2.4)
    else:
        amount = rng.uniform(0, habits.sharpening)
    y = y + amount * (y - cv2.GaussianBlur(y, (0, 0), rng.uniform(0.8, 1.6)))
    photo = np.clip(y * 255 + 0.5, 0, 255).astype(np.uint8)
    if rng.random() < habits.saved_again:
        photo = _saved_again(photo, rng=rng)
    return photo, _from_srgb(matte)


@dataclass(frozen=True, slots=True, kw_only=True)
class Habits:
    """How far photos stray from the best one.

    Attributes:
        kept: Greatest share of the light's colour that white balance leaves.
        fooled: How often white balance leaves most of it (lamp light stays orange).
        error_mired: Deviation of the white balance in 1e6 / K.
        tint: Deviation between green and magenta.
        exposure: How often exposure follows the mean of all, makes white white, is too dark.
        exposure_ev: Deviation of the exposure where it follows the mean.
        white: Least and greatest linear light of a matte white where it makes white white.
        soft_px: Most blur of the lens, pixels.
        shaken, unfocused, veiled, smeared, crisp, saved_again: How often.
        shot, read: Most sensor noise.
        local_tone, sharpening: Most of each.
        saturation, contrast: Range of each.
    """

    kept: float
    fooled: float
    error_mired: float
    tint: float
    exposure: tuple[float, float, float]
    exposure_ev: float
    soft_px: float
    shaken: float
    unfocused: float
    veiled: float
    smeared: float
    crisp: float
    saved_again: float
    shot: float
    read: float
    local_tone: float
    sharpening: float
    saturation: tuple[float, float]
    contrast: tuple[float, float]
    white: tuple[float, float] = (0.55, 2.0)


GOOD = Habits(
    kept=0.12, fooled=0.0, error_mired=10, tint=0.01, exposure=(1.0, 0.0, 0.0), exposure_ev=0.25,
    soft_px=0.8, shaken=0.0, unfocused=0.0, veiled=0.0, smeared=0.0, crisp=0.0, saved_again=0.0,
    shot=4e-4, read=0.002, local_tone=0.15, sharpening=0.6, saturation=(0.95, 1.15),
    contrast=(-0.05, 0.10),
)  # fmt: skip
USUAL = Habits(
    kept=0.28, fooled=0.10, error_mired=22, tint=0.03, exposure=(0.50, 0.38, 0.12),
    exposure_ev=0.5, soft_px=1.2, shaken=0.15, unfocused=0.12, veiled=0.12, smeared=0.18,
    crisp=0.18, saved_again=0.35, shot=3e-3, read=0.007, local_tone=0.5, sharpening=1.0,
    saturation=(0.80, 1.35), contrast=(-0.08, 0.20),
)  # fmt: skip
# A phone of today held still in daylight, which people are asked for.
ORDINARY = Habits(
    kept=0.15, fooled=0.02, error_mired=13, tint=0.015, exposure=(0.40, 0.57, 0.03),
    exposure_ev=0.35, soft_px=1.0, shaken=0.03, unfocused=0.04, veiled=0.06, smeared=0.08,
    crisp=0.12, saved_again=0.15, shot=8e-4, read=0.003, local_tone=0.3, sharpening=0.9,
    saturation=(0.90, 1.25), contrast=(-0.05, 0.15), white=(0.42, 1.15),
)  # fmt: skip
LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)


def _balance(irradiance: Array, *, rng: Rng, habits: Habits) -> NDArray[np.float32]:
    """Return the gains of white balance: most of the light's colour goes, then it errs."""
    white = irradiance / irradiance[1]
    fooled = rng.random() < habits.fooled
    kept = rng.uniform(habits.kept, 0.9) if fooled else rng.uniform(0.0, habits.kept)
    mired = 1e6 / 6500 + rng.normal(0, habits.error_mired)
    error = blackbody_rgb(float(1e6 / np.clip(mired, 80, 260))) / blackbody_rgb(6500)
    tint = np.array([1.0, 1 + rng.normal(0, habits.tint), 1.0])
    return np.asarray(error * tint / np.power(white, 1 - kept), dtype=np.float32)


def _gain(
    x: NDArray[np.float32],
    *,
    matte: NDArray[np.float32],
    irradiance: Array,
    albedo: float,
    rng: Rng,
    habits: Habits,
) -> float:
    """Return the exposure, from what the scene should be and what this window is."""
    mode = str(rng.choice(["mean", "white", "dark"], p=habits.exposure))
    if mode == "white":
        # Paper comes out white, as people want it, and often burns out.
        return float(np.exp(rng.uniform(*np.log(habits.white)))) / float(matte.mean())
    expected = float(irradiance[1]) / np.pi * albedo
    seen = float(np.mean(x[..., 1])) + 1e-6
    top = float(np.quantile(x[::4, ::4, 1], 0.97)) + 1e-6
    ev = float(np.clip(rng.normal(0, habits.exposure_ev), -1.1, 1.2))
    if mode == "dark":
        ev = rng.uniform(-2.4, -0.8)
    return float(0.21 * 2.0**ev / (expected**0.35 * seen**0.45 * (top / 2.2) ** 0.2))


def _blurred(x: NDArray[np.float32], *, rng: Rng, habits: Habits) -> NDArray[np.float32]:
    """Return what lens and hand make of it: softness, missed focus, a short smear."""
    soft = rng.uniform(0.35, habits.soft_px)
    if rng.random() < habits.unfocused:
        soft = rng.uniform(habits.soft_px, 2.6)
    out = cv2.GaussianBlur(x, (0, 0), soft)
    if rng.random() < habits.shaken:
        out = cv2.filter2D(out, -1, _smear(rng.uniform(2, 8), rng.uniform(0, np.pi)))
    return np.asarray(out, dtype=np.float32)


def _smear(length_px: float, angle: float) -> NDArray[np.float32]:
    """Return the kernel of a hand's short move, centred: truth stays where it is."""
    half = int(np.ceil(length_px / 2)) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    at = np.linspace(-length_px / 2, length_px / 2, 8 * half + 1)
    x, y = half + at * np.cos(angle), half + at * np.sin(angle)
    x0, y0 = np.floor(x).astype(int), np.floor(y).astype(int)
    for i, j in ((0, 0), (0, 1), (1, 0), (1, 1)):
        share = np.abs(1 - i - (x - x0)) * np.abs(1 - j - (y - y0))
        np.add.at(kernel, (y0 + j, x0 + i), share)
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _noisy(x: NDArray[np.float32], *, rng: Rng, habits: Habits) -> NDArray[np.float32]:
    """Return it with sensor noise, then the phone's own denoising."""
    # Shot noise grows with signal, read noise does not (EMVA 1288 model).
    shot = np.exp(rng.uniform(np.log(2e-5), np.log(habits.shot)))
    read = rng.uniform(0.0005, habits.read)
    noise_rng = np.random.default_rng(int(rng.integers(2**63)))
    sigma = np.sqrt(shot * np.clip(x, 0, 4) + read**2)
    x = x + sigma * noise_rng.standard_normal(x.shape, np.float32)
    x = np.clip(x, 0, 16).astype(np.float32)
    # Chroma blurred, luma a little.
    luma = x @ LUMA
    chroma = cv2.GaussianBlur(x - luma[..., None], (0, 0), rng.uniform(0.6, 1.8))
    if rng.random() < 0.6:
        luma = np.asarray(cv2.GaussianBlur(luma, (0, 0), rng.uniform(0.3, 0.7)), np.float32)
    return np.asarray(np.clip(luma[..., None] + chroma, 0, None), dtype=np.float32)


def _saved_again(photo: NDArray[np.uint8], *, rng: Rng) -> NDArray[np.uint8]:
    """Return the photo as sent on: made smaller and back at times, one more JPEG."""
    h, w = photo.shape[:2]
    if rng.random() < 0.4:
        scale = rng.uniform(0.55, 0.9)
        small = cv2.resize(photo, (round(w * scale), round(h * scale)),
                           interpolation=cv2.INTER_AREA)  # fmt: skip
        photo = np.asarray(cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC), np.uint8)
    quality = int(rng.integers(45, 93))
    _, coded = cv2.imencode(".jpg", photo, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR), np.uint8)


def _shoulder(x: NDArray[np.float32], knee: float) -> NDArray[np.float32]:
    over = np.maximum(x - knee, 0)
    bent = np.minimum(x, knee) + (1 - knee) * (1 - np.exp(-over / (1 - knee)))
    return np.asarray(bent, dtype=np.float32)


def _tone(x: NDArray[np.float32], saturation: float, contrast: float) -> NDArray[np.float32]:
    """Return sRGB codes, 0 to 1, of linear ``(..., 3)`` after saturation and contrast."""
    x = np.clip(x, 0, 1)
    grey = (x @ LUMA)[..., None]
    y = _to_srgb(np.clip(grey + (x - grey) * saturation, 0, 1))
    return np.asarray(y + contrast * np.sin(2 * np.pi * (y - 0.5)) / np.pi, dtype=np.float32)
