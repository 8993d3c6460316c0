"""Pieces laid on a table in mm, and how two cameras held by hand see their outlines."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.flash.matching import Laid
from vision.types import FloatArray, Scale

SIZE_PX = (4000, 3000)
FOCAL_PX = 3005.0
CARD_MM = np.array([[0, 0], [85.6, 0], [85.6, 53.98], [0, 53.98]])
ROOM_MM = np.array([[-10.0, 62.0], [130.0, 150.0]])
"""Pieces lie in the upper part of the table, the reference below them."""

Rng = np.random.Generator


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A homography from mm on the table to pixels."""

    px_from_mm: NDArray[np.float64]


def camera(rng: Rng, *, shake_mm: float = 10.0, shake_deg: float = 3.0) -> Camera:
    """A phone some 220 mm above the middle of the table, held by hand."""
    turn, _ = cv2.Rodrigues(np.radians(rng.normal(0, shake_deg, 3)))
    at = np.array([55.0, 65.0, -220.0]) + rng.normal(0, shake_mm, 3)
    lens = np.array([[FOCAL_PX, 0, SIZE_PX[0] / 2], [0, FOCAL_PX, SIZE_PX[1] / 2], [0, 0, 1]])
    return Camera(px_from_mm=lens @ np.column_stack([turn[:, 0], turn[:, 1], turn @ -at]))


def seen(points_mm: FloatArray, by: Camera) -> FloatArray:
    """Pixels of ``(n, 2)`` points."""
    flat = np.asarray(points_mm, np.float64).reshape(-1, 1, 2)
    return np.asarray(cv2.perspectiveTransform(flat, by.px_from_mm)[:, 0])


def piece(rng: Rng) -> FloatArray:
    """The outline of a bent or straight wire or tube, mm."""
    length, width = rng.uniform(25, 90), float(np.exp(rng.uniform(np.log(1.2), np.log(16))))
    along = np.linspace(-0.5, 0.5, 40) * length
    bend = rng.uniform(0, 0.12) * length * np.cos(np.pi * along / length)
    middle = np.column_stack([along, bend - bend.mean()])
    tangent = np.gradient(middle, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) * width / 2
    return np.vstack([middle + normal, (middle - normal)[::-1]])


def placed(outline: FloatArray, at: FloatArray, degrees: float) -> FloatArray:
    """The outline turned about its middle and laid at a place."""
    a = np.radians(degrees)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    return np.asarray((outline - outline.mean(axis=0)) @ turn.T + at)


def laid_out(rng: Rng, count: int) -> list[FloatArray]:
    """So many pieces on the table, their middles 18 mm and more apart."""
    middles: list[FloatArray] = []
    while len(middles) < count:
        at = rng.uniform(*ROOM_MM)
        if all(np.hypot(*(at - other)) > 18 for other in middles):
            middles.append(at)
    return [placed(piece(rng), at, rng.uniform(0, 180)) for at in middles]


def rough(outline_px: FloatArray, rng: Rng) -> FloatArray:
    """An outline as the finder gives it: a pixel or two off, differently each time."""
    return outline_px + cv2.GaussianBlur(rng.normal(0, 6, outline_px.shape), (1, 9), 0)


def photo_of(
    outlines_mm: list[FloatArray], by: Camera, rng: Rng, *, reference: str | None = "card",
    frame: NDArray[np.float64] | None = None,
) -> Laid:  # fmt: skip
    """What looking over a photo of it gives; ``frame`` moves the reference's own mm."""
    scale = None
    if reference is not None:
        mm_from_px = (np.eye(3) if frame is None else frame) @ np.linalg.inv(by.px_from_mm)
        scale = Scale(
            reference=reference,
            mm_from_px=mm_from_px / mm_from_px[2, 2],
            mm_per_px=220 / FOCAL_PX,
            u_rel=0.002,
            budget={"fit": 0.002},
            tilt_deg=3.0,
            residual_px=0.1,
            camera_mm=(0.0, 0.0, 300.0),
            outlines_px=(seen(CARD_MM, by),),
        )
    outlines = [rough(seen(outline, by), rng) for outline in outlines_mm]
    marks = seen(CARD_MM.mean(axis=0)[None], by) + rng.normal(0, 12, (1, 2))  # a cell of the map
    return Laid(outlines_px=outlines, scale=scale, size_px=SIZE_PX, marks_px=marks)
