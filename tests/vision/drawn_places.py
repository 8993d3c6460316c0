"""Where a network that makes no mistake sees a reference, for drawn photos."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from tests.vision.coin_scenes import DrawnCoin
from tests.vision.flat_scenes import Camera
from vision.finish.surface import load_surface_model, surface_map
from vision.reference.places import Place, reference_places
from vision.reference.references import CARD_HEIGHT_MM, CARD_WIDTH_MM
from vision.types import FloatArray, Photo, Surface, SurfaceMap

CARD_MM = (CARD_WIDTH_MM, CARD_HEIGHT_MM)


def map_of(reference: np.ndarray, *, cell_px: int = 16) -> SurfaceMap:
    """Return what a network that makes no mistakes says of a mask of the reference."""
    h, w = reference.shape
    share = cv2.resize(
        reference.astype(np.float32), (w // cell_px, h // cell_px), interpolation=cv2.INTER_AREA
    )
    p = np.zeros((len(Surface), *share.shape), np.float32)
    p[list(Surface).index(Surface.REFERENCE)] = share
    p[list(Surface).index(Surface.TABLE)] = 1 - share
    nothing = np.zeros_like(share)
    return SurfaceMap(
        p=p,
        tarnish_level=nothing,
        box_px=(0, 0, w, h),
        outline=np.stack([nothing, nothing]),
    )


def corners_of(camera: Camera, size_mm: tuple[float, float] = CARD_MM) -> FloatArray:
    """``(4, 2)`` pixels of a flat thing of that size about the table's origin, a card high."""
    half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(size_mm) / 2
    return camera.project(half, 0.76)


def places_of(
    camera: Camera, size_mm: tuple[float, float] = CARD_MM, *, cell_px: int = 8
) -> tuple[Place, ...]:
    """Return the patch of such a thing, to a cell of the map."""
    size = (camera.height_px // cell_px * cell_px, camera.width_px // cell_px * cell_px)
    mask = np.zeros(size, np.uint8)
    cv2.fillConvexPoly(mask, np.round(corners_of(camera, size_mm)).astype(np.int32), (1,))
    return reference_places(map_of(mask, cell_px=cell_px))


def coin_mask(camera: Camera, coins: Sequence[DrawnCoin]) -> np.ndarray:
    """1 where the faces of coins are on the photo."""
    mask = np.zeros((camera.height_px, camera.width_px), np.uint8)
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    for one in coins:
        circle = np.array(one.at_mm) + one.diameter_mm / 2 * np.column_stack(
            [np.cos(turn), np.sin(turn)]
        )
        face = camera.project(circle, one.thickness_mm)
        cv2.fillConvexPoly(mask, np.round(face).astype(np.int32), (1,))
    return mask


def patches(mask: np.ndarray, *, cell_px: int = 8) -> tuple[Place, ...]:
    """Return the patches of a mask."""
    h, w = mask.shape
    return reference_places(
        map_of(mask[: h // cell_px * cell_px, : w // cell_px * cell_px], cell_px=cell_px)
    )


def seen_places(photo: Photo) -> tuple[Place, ...]:
    """Return where the shipped network sees a reference."""
    return reference_places(surface_map(photo, model=load_surface_model()))
