"""The table as a background model: how unlike the table is each pixel?

The table at a pixel is the median colour of a wide window around it, and its spread is
the median distance in the same window, so grain and cloth raise the bar where they
are. Darkening without a change of colour is taken for shadow and counts little. The
photo's overall table colours keep pieces wider than the window.
"""

from __future__ import annotations

import cv2
import numpy as np

from vision.types import Float32Array, Image, Mask

WINDOW_SHARE = 0.30
"""Side of the window whose median is "the table here", as a share of the photo's long
side: wider than twice a tube across a hand-high photo, narrow enough for a lamp's
falloff to look flat."""

SHADOW_WEIGHT = 0.30
"""How much of a pure darkening counts: a shadow keeps the table's colour."""

LEAST_SPREAD = 2.0
"""CIELAB units; below this a table's spread is the camera's noise."""

Z_LIMIT = 8.0
"""Distances are cut off here, in spreads: beyond, all is equally unlike the table."""

CHANNELS = 9
"""Of :func:`table_features`."""


def table_features(small: Image, reference: Mask) -> Float32Array:
    """Return what a pixel looks like and how unlike the table it is.

    Args:
        small: ``(h, w, 3)`` uint8 sRGB, reduced.
        reference: ``(h, w)`` pixels of the reference.

    Returns:
        ``(9, h, w)`` float32: CIELAB (about -1 to 1), CIELAB minus the table's there in
        units of its spread, distance from the table there and from the nearest of the
        photo's table colours in units of their spreads, and the reference.
    """
    lab = cv2.cvtColor(cv2.GaussianBlur(small, (0, 0), 0.8), cv2.COLOR_RGB2LAB)
    filled = _without_reference(lab, reference)
    table = _wide_median(filled)
    local = _distance(lab, table)
    spread = _wide_median_of(local, reference)
    overall = _distance(lab, _nearest_table_colour(filled, reference))
    away = overall[::4, ::4][~reference[::4, ::4]]
    usual = max(float(np.median(away)) if len(away) else 0.0, LEAST_SPREAD)
    signed = lab.astype(np.float32) - table.astype(np.float32)
    planes = [
        *np.moveaxis((lab.astype(np.float32) - 128) / 64, 2, 0),
        *np.moveaxis(np.clip(signed / spread[..., None], -Z_LIMIT, Z_LIMIT) / 4, 2, 0),
        np.minimum(local / spread, 2 * Z_LIMIT) / 4,
        np.minimum(overall / usual, 2 * Z_LIMIT) / 4,
        reference.astype(np.float32),
    ]
    return np.stack(planes).astype(np.float32)


def _without_reference(lab: Image, reference: Mask) -> Image:
    """Fill the reference with the table's median, so that it doesn't bend the model."""
    if not reference.any():
        return lab
    filled = lab.copy()
    sample = lab[::4, ::4][~reference[::4, ::4]]
    if len(sample):
        filled[reference] = np.median(sample, axis=0).astype(np.uint8)
    return filled


def _wide_median(lab: Image) -> Image:
    # A window this wide needs no fine pixels; a quarter of them is 16 times faster.
    quarter = cv2.resize(lab, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    size = max(3, int(WINDOW_SHARE * max(quarter.shape[:2])) | 1)
    padded = cv2.copyMakeBorder(quarter, size, size, size, size, cv2.BORDER_REFLECT)
    median = cv2.medianBlur(padded, size)[size:-size, size:-size]
    return np.asarray(cv2.resize(median, lab.shape[1::-1]), dtype=np.uint8)


def _wide_median_of(distance: Float32Array, reference: Mask) -> Float32Array:
    coded = np.clip(distance * 4, 0, 255).astype(np.uint8)
    away = coded[::4, ::4][~reference[::4, ::4]]
    coded[reference] = np.uint8(np.median(away)) if len(away) else 0
    median = _wide_median(np.repeat(coded[..., None], 3, axis=2))[..., 0].astype(np.float32) / 4
    return np.maximum(median, LEAST_SPREAD)


def _nearest_table_colour(lab: Image, reference: Mask) -> Image:
    """Return for each pixel the nearest of the colours that the photo's rim is made of."""
    rim = np.ones(lab.shape[:2], bool)
    inset = max(2, lab.shape[0] // 16)
    rim[inset:-inset, inset:-inset] = False
    sample = lab[rim & ~reference].astype(np.float32)
    if len(sample) < 64:
        return lab
    sample = sample[:: max(1, len(sample) // 4000)]
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 20, 0.5)
    cv2.setRNGSeed(1)
    _, labels, centres = cv2.kmeans(sample, 6, np.empty(0), criteria, 2, cv2.KMEANS_PP_CENTERS)
    kept = centres[np.bincount(labels.ravel(), minlength=6) > 0.08 * len(sample)]
    # All codes of a coarse cube are mapped once; a photo has far more pixels than that.
    steps = np.arange(0, 256, 8, dtype=np.uint8) + 4
    cube = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 1, 3)
    distances = [
        _distance(cube, np.broadcast_to(np.uint8(np.clip(c, 0, 255)), cube.shape)) for c in kept
    ]
    nearest = np.argmin(np.stack(distances), axis=0)[:, 0]
    colours = np.clip(np.round(kept), 0, 255).astype(np.uint8)[nearest].reshape(32, 32, 32, 3)
    coarse = lab >> 3
    return np.asarray(colours[coarse[..., 0], coarse[..., 1], coarse[..., 2]], dtype=np.uint8)


def _distance(lab: Image, table: Image) -> Float32Array:
    """Colour distance in which a plain shadow is short."""
    lab, table = lab.astype(np.float32), table.astype(np.float32)
    lightness = (lab[..., 0] - table[..., 0]) / 2.55
    # In a shadow lightness and chroma fall together; undo the expected fall of chroma.
    ratio = np.clip((lab[..., 0] + 8) / (table[..., 0] + 8), 0, 1)
    a = (lab[..., 1] - 128) - ratio * (table[..., 1] - 128)
    b = (lab[..., 2] - 128) - ratio * (table[..., 2] - 128)
    lightness *= np.where(lightness < 0, np.float32(SHADOW_WEIGHT), np.float32(0.7))
    return np.asarray(np.sqrt(lightness**2 + a**2 + b**2), dtype=np.float32)
