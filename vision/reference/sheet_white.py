"""The light's colour as the printed sheet shows it."""

from __future__ import annotations

import numpy as np

from vision.photo.colour import linear_between
from vision.reference.markers import CLIPPED_LINEAR, robust_white
from vision.reference.plane import mapped
from vision.reference.sheet import BAND_MM, MARGIN_MM, SheetGeometry
from vision.types import Float32Array, FloatArray, Image

SAMPLES = 40  # along each band; chosen, enough for a median


def sheet_white(rgb: Image, geometry: SheetGeometry, px_from_mm: FloatArray) -> FloatArray | None:
    """Return the linear light of the sheet's white, or None where too little of it is seen.

    White paper decides: the strips between the markers and the rim of the work area,
    where no piece lies. Where the paper is clipped, the lightest grey patch that is
    not stands in, divided by its nominal share of the paper's light.

    Args:
        rgb: The photo.
        geometry: The sheet as it should be.
        px_from_mm: Pixels from its mm, whatever size it was printed in.
    """
    places = np.concatenate([_grid(*box) for box in _white_boxes_mm(geometry)])
    white = robust_white(_look(rgb, places, px_from_mm))
    return white if white is not None else _from_patches(rgb, geometry, px_from_mm)


def _white_boxes_mm(geometry: SheetGeometry) -> list[tuple[float, float, float, float]]:
    """Strips ``(x, y, width, height)`` around the work area where paper is bare."""
    x, y, width, height = geometry.work_area_mm
    strip = BAND_MM - 3.0
    return [
        (x, y - strip - 1.0, width, strip),
        (x, y + height + 1.0, width, strip),
        (MARGIN_MM - 4.0, y, 4.0, height),
        (x + width, y, 4.0, height),
    ]


def _grid(x: float, y: float, width: float, height: float) -> FloatArray:
    along = (np.arange(SAMPLES) + 0.5) / SAMPLES
    across = (np.arange(4) + 0.5) / 4
    if width > height:
        u, v = np.meshgrid(x + width * along, y + height * across)
    else:
        u, v = np.meshgrid(x + width * across, y + height * along)
    return np.column_stack([u.ravel(), v.ravel()])


def _look(rgb: Image, places_mm: FloatArray, px_from_mm: FloatArray) -> Float32Array:
    """Linear light at those places that the photo shows."""
    at = mapped(places_mm, px_from_mm)
    height, width = rgb.shape[:2]
    inside = (at >= 0).all(axis=1) & (at[:, 0] < width - 1) & (at[:, 1] < height - 1)
    return linear_between(rgb, at[inside])


def _from_patches(rgb: Image, geometry: SheetGeometry, px_from_mm: FloatArray) -> FloatArray | None:
    for patch in sorted(geometry.patches, key=lambda patch: -patch.code):
        x, y, width, height = patch.box_mm
        box = (x + width * 0.2, y + height * 0.2, width * 0.6, height * 0.6)
        light = _look(rgb, _grid(*box), px_from_mm)
        if len(light) >= 40 and not (light > CLIPPED_LINEAR).any():
            white: FloatArray = np.median(light, axis=0).astype(float) / patch.nominal_reflectance
            return white
    return None
