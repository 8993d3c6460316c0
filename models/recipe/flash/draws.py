"""Photos of windows, drawn anew each time: strips as the tool cuts them, and what is true."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.recipe.flash.lamp import Shot, Traced, flash_shot, plain_shot
from models.recipe.look.camera import ORDINARY, USUAL, Camera
from models.recipe.look.finishes import BRASS, COATED, INSULATION, SOLDER, TINNED
from models.recipe.look.noise import Rng
from vision.flash.looks import looks, section
from vision.flash.types import LitStrip
from vision.photo.colour import to_linear

USUAL_SHARE = 0.25
"""How often a photo is less careful than people are asked for."""

PULLED_SHARE = 0.65
"""How often the exposure of the flash photo was pulled down."""

CLIPPED_CODE = 250
"""As in :mod:`vision.finish.judging`."""

THERE, NOT_THERE = 0.3, 0.02
"""A window with so much of a thing has it, with so little has not; between is left out."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn:
    """Numbers of both photos of windows, and the truth.

    Attributes:
        plain, flash: ``(n, FEATURES)``.
        there: ``(n, 3)`` coating, tin, solder: 1, 0, NaN where neither or not to be learned.
        level: ``(n,)`` tarnish of bare copper, NaN where there is none.
        facts: What each window is, and how its photos were taken.
    """

    plain: NDArray[np.float32]
    flash: NDArray[np.float32]
    there: NDArray[np.float32]
    level: NDArray[np.float32]
    facts: list[dict[str, Any]]


def strip_of(shot: Shot, own: NDArray[np.bool_], *, white: bool, rng: Rng) -> LitStrip:
    """Return the strip of a window in one photo, saved as a JPEG before."""
    quality = int(rng.integers(80, 97))
    _, coded = cv2.imencode(
        ".jpg", np.ascontiguousarray(shot.rgb[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    rgb = np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR))[..., ::-1]
    light = to_linear(np.ascontiguousarray(rgb))
    if white:
        # White is read a little off: shadows, the paper's own tint, falling off of the light.
        error = np.exp(rng.normal(0, 0.12)) * np.exp(rng.normal(0, 0.02, 3))
        light = light / (np.maximum(shot.white, 1e-3) * error)
    # The outline is found to a pixel or so; thin pieces keep their middle.
    inner = own
    if rng.random() < 0.7:
        inner = cv2.erode(own.astype(np.uint8), np.ones((1, 3), np.uint8)) > 0
    columns = np.flatnonzero(inner.any(axis=0))
    cut = slice(columns[0], columns[-1] + 1)
    light = np.where(inner[..., None], light, np.nan)[:, cut]
    return LitStrip(
        light=light.astype(np.float32),
        clipped=(rgb.max(axis=-1) >= CLIPPED_CODE)[:, cut] & inner[:, cut],
        white_known=white,
    )


def drawn(windows: list[dict[str, Any]], *, rng: Rng, times: int) -> Drawn:
    """Return ``times`` pairs of photos of each window."""
    rows: list[tuple[Any, ...]] = []
    for window in windows:
        camera = _camera(window)
        traced = Traced(
            ambient=window["ambient"].astype(np.float32), lamp=window["lamp"].astype(np.float32),
            ambient_white=window["ambient_white"], lamp_white=window["lamp_white"],
        )  # fmt: skip
        there, level = _truth(window)
        for _ in range(times):
            pulled = bool(rng.random() < PULLED_SHARE)
            careful = [USUAL if rng.random() < USUAL_SHARE else ORDINARY for _ in range(2)]
            albedo = float(window["albedo"])
            plain = plain_shot(traced, rng=rng, camera=camera, albedo=albedo, habits=careful[0])
            flash = flash_shot(traced, rng=rng, camera=camera, albedo=albedo, pulled=pulled,
                               habits=careful[1])  # fmt: skip
            white = bool(window["white_table"] and rng.random() < 0.85)
            told = [
                looks(section(strip_of(shot, window["own"], white=white, rng=rng), slice(None)))
                for shot in (plain, flash)
            ]
            if told[0] is None or told[1] is None:
                continue
            facts = {"pulled_ev": flash.pulled_ev, "times": flash.times, "white": white} | {
                key: window[key]
                for key in ("finish", "form", "light", "broad", "number", "alpha", "film",
                            "coat", "base", "level")
            }  # fmt: skip
            rows.append((*told, there, level, facts))
    plain_, flash_, there_, level_, facts_ = zip(*rows, strict=True)
    return Drawn(
        plain=np.stack(plain_), flash=np.stack(flash_), there=np.stack(there_).astype(np.float32),
        level=np.array(level_, np.float32), facts=list(facts_),
    )  # fmt: skip


def _truth(window: dict[str, Any]) -> tuple[NDArray[np.float64], float]:
    label = window["label"][window["own"]]
    shares = np.array([(label == index).mean() for index in (COATED, TINNED, SOLDER)])
    there = np.where(shares >= THERE, 1.0, np.where(shares <= NOT_THERE, 0.0, np.nan))
    if (label == INSULATION).mean() > NOT_THERE:
        there[:] = np.nan  # a jacket is no coat, and a flash cannot tell it from paint
    bare = 1 - shares.sum() - np.isin(label, [BRASS, INSULATION]).mean()
    return there, float(window["level"]) if bare > 0.9 else float("nan")


def _camera(window: dict[str, Any]) -> Camera:
    """Return a camera that knows where its window lies: all that developing asks of it."""
    width, height = (int(v) for v in window["whole"])
    x, y, w, h = (int(v) for v in window["window"])
    none = np.zeros(3)
    return Camera(
        origin_mm=none, forward=none, right=none, down=none, focal_px=1.0, width_px=width,
        height_px=height, window=(x, y, w, h), focal_35mm=26.0,
        tilt_deg=0.0, aperture_mm=0.0, focus_mm=1.0,
    )  # fmt: skip
