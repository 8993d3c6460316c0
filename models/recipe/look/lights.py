"""Light: rooms, skies, lamps and flash, as an environment map plus near emitters."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from models.recipe.look.noise import Rng, clouds
from models.recipe.look.optics import Array, blackbody_rgb

ENV_ROWS, ENV_COLUMNS = 256, 512
# Skies of the npm package @pmndrs/assets (CC0), told apart by name so that what
# judges the network was never seen by it.
VALIDATION_SKIES = ("lobby", "workshop", "bridge", "sunrise")
TRAIN_SKIES = ("apartment", "city", "esplanade", "forest", "hall", "lab", "park", "sky",
               "studio", "sunset", "warehouse")  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Emitter:
    """A square light near the table: centre, size and radiance."""

    centre_mm: Array
    target_mm: Array
    size_mm: float
    radiance: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Light:
    """All light of one photo.

    Attributes:
        name: The style, for the truth file.
        env: ``(rows, columns, 3)`` radiance, first row straight up; none where all is dark.
        emitters: Lamps and flash.
        blockers: ``(quads, 4, 3)`` corners of who stands in the light, mm; no quads at most times.
        irradiance: ``(3,)`` what falls on the table, unshadowed.
    """

    name: str
    env: NDArray[np.float32]
    emitters: tuple[Emitter, ...]
    blockers: Array
    irradiance: Array


@cache
def _angles() -> tuple[Array, Array]:
    theta = (np.arange(ENV_ROWS) + 0.5) / ENV_ROWS * np.pi
    phi = (np.arange(ENV_COLUMNS) + 0.5) / ENV_COLUMNS * 2 * np.pi
    return np.meshgrid(theta, phi, indexing="ij")


def irradiance(env: NDArray[np.float32]) -> Array:
    """Return what the upper half of an environment sheds on the table."""
    theta, _ = _angles()
    weight = np.clip(np.cos(theta), 0, None) * np.sin(theta)
    cell = (np.pi / ENV_ROWS) * (2 * np.pi / ENV_COLUMNS)
    total: Array = (env * weight[..., None]).sum(axis=(0, 1)) * cell
    return total


def _room(rng: Rng, *, base: Array) -> NDArray[np.float64]:
    """Ceiling, walls with furniture, floor; a person at times."""
    theta, phi = _angles()
    up = np.pi / 2 - theta
    ceiling = rng.uniform(0.5, 1.0)
    wall = rng.uniform(0.2, 0.9)
    tint = np.clip(1 + rng.normal(0, 0.06, 3), 0.8, 1.2)
    level = np.where(up > rng.uniform(0.5, 0.8), ceiling, wall)
    noise = clouds((ENV_ROWS, ENV_COLUMNS), rng=rng, cell_px=(60, 60), octaves=4, wrap_columns=True)
    env = (level * (1 + 0.12 * noise))[..., None] * base * tint
    for _ in range(int(rng.integers(3, 14))):
        a, width = rng.uniform(0, 2 * np.pi), rng.uniform(0.1, 0.7)
        low, high = rng.uniform(-0.5, 0.2), rng.uniform(0.1, 0.8)
        away = np.abs((phi - a + np.pi) % (2 * np.pi) - np.pi)
        box = (away < width / 2) & (up > low) & (up < high)
        env[box] *= rng.uniform(0.05, 0.9) * np.clip(1 + rng.normal(0, 0.25, 3), 0.3, 1.7)
    if rng.random() < 0.6:  # whoever holds the phone
        a, width = rng.uniform(0, 2 * np.pi), rng.uniform(0.4, 0.8)
        away = np.abs((phi - a + np.pi) % (2 * np.pi) - np.pi)
        body = (away < width / 2 * np.clip(1.3 - up, 0.3, 1)) & (up < rng.uniform(0.8, 1.25))
        env[body] *= rng.uniform(0.05, 0.25) * np.clip(1 + rng.normal(0, 0.3, 3), 0.3, 1.7)
    env[up < -0.02] *= 0.3
    return env


def _panel(env: NDArray[np.float64], rng: Rng, *, colour: Array, strength: float) -> None:
    """Bright rectangles in the ceiling."""
    theta, phi = _angles()
    up = np.cos(theta)
    safe = np.maximum(up, 0.05)
    x, y = np.sin(theta) * np.cos(phi) / safe, np.sin(theta) * np.sin(phi) / safe
    turn = rng.uniform(0, np.pi)
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    wide, long = rng.uniform(0.08, 0.35), rng.uniform(0.2, 0.9)
    count = int(rng.integers(1, 5))
    shift = rng.uniform(-1, 1, 2)
    for k in range(count):
        off = shift + np.array([k * wide * rng.uniform(2.5, 5), 0])
        hit = (np.abs(u - off[0]) < wide / 2) & (np.abs(v - off[1]) < long / 2) & (up > 0.15)
        env[hit] = colour * strength


def _window(env: NDArray[np.float64], rng: Rng, *, colour: Array, strength: float) -> None:
    theta, phi = _angles()
    up = np.pi / 2 - theta
    a = rng.uniform(0, 2 * np.pi)
    for k in range(int(rng.integers(1, 4))):
        width = rng.uniform(0.25, 0.9)
        low, high = rng.uniform(0.0, 0.3), rng.uniform(0.5, 1.05)
        away = np.abs((phi - a - 1.1 * k + np.pi) % (2 * np.pi) - np.pi)
        hit = (away < width / 2) & (up > low) & (up < high)
        bar = (np.abs(away) < 0.02) | (np.abs(up - (low + high) / 2) < 0.012)
        env[hit & ~bar] = colour * strength * rng.uniform(0.6, 1.2)


def _sky(
    rng: Rng, *, sun: tuple[float, float] | None, dusk: bool
) -> tuple[NDArray[np.float64], Array | None]:
    """Return a sky over a skyline, and the direction of the sun where there is one."""
    theta, phi = _angles()
    up = np.pi / 2 - theta
    zenith = blackbody_rgb(rng.uniform(9000, 16000)) * rng.uniform(0.3, 1.0)
    horizon = blackbody_rgb(rng.uniform(2800, 5000) if dusk else rng.uniform(5500, 7500))
    w = np.clip(up / (np.pi / 2), 0, 1)[..., None] ** 0.5
    env = horizon * (1 - w) * rng.uniform(0.6, 1.3) + zenith * w
    cloud = clouds((ENV_ROWS, ENV_COLUMNS), rng=rng, cell_px=(50, 90), octaves=5, wrap_columns=True)
    env = env * (1 + 0.35 * np.clip(cloud, -1, 2))[..., None]
    skyline = rng.uniform(0.05, 0.4) + 0.15 * np.abs(cloud[ENV_ROWS // 2])[None, :]
    ground = up < skyline
    env[ground] *= rng.uniform(0.05, 0.4) * np.clip(1 + rng.normal(0, 0.2, 3), 0.5, 1.5)
    towards = None
    if sun is not None:
        height, a = rng.uniform(*sun), rng.uniform(0, 2 * np.pi)
        d = np.stack([np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)], -1)
        towards = np.array([np.cos(height) * np.cos(a), np.cos(height) * np.sin(a), np.sin(height)])
        disc = np.clip((d @ towards - np.cos(0.010)) / (1 - np.cos(0.010)), 0, 1)
        # The disc must bring 3 to 8 times what the sky does.
        total = irradiance(env.astype(np.float32)).mean() * rng.uniform(2, 7)
        theta_w = np.sin(theta) * (np.pi / ENV_ROWS) * (2 * np.pi / ENV_COLUMNS)
        norm = float((disc * theta_w).sum() * np.sin(height))
        env = env + disc[..., None] * blackbody_rgb(rng.uniform(4800, 5800)) * total / max(
            norm, 1e-9
        )
    return env, towards


def _body(rng: Rng, towards: Array) -> Array:
    """Return someone in the way of a light: the corners ``(quads, 4, 3)`` of their outline.

    They stand outside the camera's view, and the edge of their shadow falls near the
    origin, across whatever lies there.
    """
    flat = np.array([-towards[1], towards[0], 0.0])
    flat /= np.linalg.norm(flat)
    other = np.cross(towards, flat)
    other = other if other[2] > 0 else -other
    # Far enough to the side that no camera within half a metre looks through them.
    far = float(max(rng.uniform(500, 900), 520 / max(np.hypot(*towards[:2]), 0.3)))
    wide, tall = rng.uniform(160, 380), rng.uniform(150, 400)
    edge = rng.uniform(-70, 70) + rng.choice([-1.0, 1.0]) * wide / 2
    low = rng.uniform(-60, 60) if rng.random() < 0.5 else -far * towards[2]
    centre = towards * far + flat * edge
    quads = [[(-wide / 2, low - tall), (wide / 2, low - tall), (wide / 2, low), (-wide / 2, low)]]
    head = wide * 0.2  # head or hand over the shoulders
    quads.append([(-head, low), (head, low), (0.7 * head, low + 2.2 * head),
                  (-0.7 * head, low + 2.2 * head)])  # fmt: skip
    corners = np.array([[centre + flat * a + other * b for a, b in quad] for quad in quads])
    corners[..., 2] = np.maximum(corners[..., 2], 5.0)
    return corners


def load_skies(folder: Path | None, *, split: str) -> list[NDArray[np.float32]]:
    """Return the skies of a split from ``folder`` (``NAME.npz`` with array ``env``)."""
    if folder is None:
        return []
    names = TRAIN_SKIES if split == "train" else VALIDATION_SKIES
    found = []
    for name in names:
        path = folder / f"{name}.npz"
        if path.exists():
            with np.load(path) as data:
                found.append(data["env"].astype(np.float32))
    return found


STYLES = ("window", "panel", "overcast", "sun", "dusk", "lamp", "flash", "mixed", "tubes",
          "night_flash", "low_sun", "two_lamps", "sky_image")  # fmt: skip
WEIGHTS = np.array([2.5, 2.5, 1.5, 1.6, 0.7, 1.5, 1.0, 1.8, 1.0, 0.8, 1.2, 1.2, 4.0])
# How high the sun stands, radians: low, shadows are 2 to 8 times as long as a thing is thick.
HIGH_SUN, LOW_SUN = (0.35, 1.3), (0.12, 0.45)


def _surroundings(
    name: str, *, rng: Rng, skies: list[NDArray[np.float32]], warm: Array, day: Array
) -> tuple[NDArray[np.float64], Array]:
    """Return the environment of a style and who stands in its light."""
    nobody = np.zeros((0, 4, 3))
    if name == "sky_image":
        env = skies[int(rng.integers(len(skies)))].astype(np.float64)
        env = np.roll(env, int(rng.integers(ENV_COLUMNS)), axis=1)
        if rng.random() < 0.5:
            env = env[:, ::-1]
        # An empty lower half keeps under-table light out.
        return np.minimum(env, np.quantile(env, 0.5) * 4000), nobody
    if name in ("overcast", "sun", "low_sun", "dusk"):
        height = {"sun": HIGH_SUN, "low_sun": LOW_SUN}.get(name)
        env, towards = _sky(rng, sun=height, dusk=name == "dusk")
        hidden = towards is not None and rng.random() < 0.4
        return env, _body(rng, towards) if hidden and towards is not None else nobody
    # Older fluorescent tubes are greener than any black body.
    tubes = blackbody_rgb(rng.uniform(3300, 5500)) * np.array([1.0, rng.uniform(1.05, 1.3), 1.0])
    base = {"window": day, "panel": blackbody_rgb(rng.uniform(3000, 6500)), "lamp": warm,
            "flash": warm, "mixed": day, "tubes": tubes, "night_flash": warm,
            "two_lamps": warm}[name]  # fmt: skip
    env = _room(rng, base=base) * 0.25
    if name in ("window", "mixed"):
        # A mixed light is blue sky through a window against warm lamps.
        sky = blackbody_rgb(rng.uniform(7000, 15000)) if name == "mixed" else day
        _window(env, rng, colour=sky, strength=rng.uniform(2, 14))
    if name in ("panel", "mixed", "tubes"):
        colour = warm if name == "mixed" else base
        _panel(env, rng, colour=colour, strength=rng.uniform(4, 25))
    if name in ("lamp", "two_lamps", "flash") and rng.random() < 0.6:
        _panel(env, rng, colour=base, strength=rng.uniform(1, 4))
    return env, nobody


def make_light(
    rng: Rng, *, skies: list[NDArray[np.float32]], camera_mm: Array, style: str | None = None
) -> Light:
    """Return a light of a random style for a camera at ``camera_mm``."""
    weights = WEIGHTS.copy()
    if not skies:
        weights[-1] = 0.0
    name = style or str(rng.choice(STYLES, p=weights / weights.sum()))
    warm = blackbody_rgb(rng.uniform(2600, 4200))
    day = blackbody_rgb(rng.uniform(5200, 8000))
    env, blockers = _surroundings(name, rng=rng, skies=skies, warm=warm, day=day)
    emitters: list[Emitter] = []
    env32 = np.ascontiguousarray(env, np.float32)
    # A strong lower half would light the table from below its horizon.
    env32[ENV_ROWS // 2 + 2 :] *= 0.2
    around = irradiance(env32)
    total = around.copy()
    lamps = {"lamp": 1, "two_lamps": 2, "mixed": int(rng.random() < 0.5)}.get(name, 0)
    for _ in range(lamps):
        low = name == "two_lamps" and rng.random() < 0.5
        a, height = rng.uniform(0, 2 * np.pi), rng.uniform(*((90, 250) if low else (250, 700)))
        out = rng.uniform(150, 600)
        centre = np.array([out * np.cos(a), out * np.sin(a), height])
        size = rng.uniform(8 if name == "two_lamps" else 25, 160)
        distance = float(np.linalg.norm(centre))
        wanted = around.mean() * rng.uniform(1, 6) * (warm if rng.random() < 0.7 else day)
        cosine = height / distance
        radiance = wanted * distance**2 / (size**2 * cosine)
        emitters.append(Emitter(centre_mm=centre, target_mm=np.zeros(3), size_mm=size,
                                radiance=radiance))  # fmt: skip
        total = total + wanted
    if name in ("flash", "night_flash") or rng.random() < 0.04:
        a = rng.uniform(0, 2 * np.pi)
        centre = camera_mm + np.array([12 * np.cos(a), 12 * np.sin(a), 0.5])
        size = 4.0
        ratio = rng.uniform(10, 60) if name == "night_flash" else rng.uniform(0.6, 6)
        wanted = around.mean() * ratio * blackbody_rgb(rng.uniform(4500, 6000))
        radiance = wanted * camera_mm[2] ** 2 / size**2
        emitters.append(Emitter(centre_mm=centre, target_mm=centre - np.array([0, 0, 100.0]),
                                size_mm=size, radiance=radiance))  # fmt: skip
        total = total + wanted
    return Light(
        name=name, env=env32, emitters=tuple(emitters), blockers=blockers, irradiance=total
    )
