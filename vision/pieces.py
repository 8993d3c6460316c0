"""Where on the photo are the pieces?

The narrow seam is a foreground map: one number a pixel of a reduced photo, how
likely it shows a piece. It comes from the surface network (:mod:`vision.surface`) where
there is one, else from the table as a background model (:mod:`vision.ground`), weighed
by a small network or, without its file, by distance alone;
:func:`regions_from_foreground` turns any of them into outlines at full resolution.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any

import cv2
import numpy as np

from vision.ground import table_features
from vision.reduced import reduced as reduced  # noqa: PLC0414 - others take it from here
from vision.types import (
    Float32Array,
    FloatArray,
    Image,
    Mask,
    Photo,
    Region,
    Surface,
    SurfaceMap,
)

SURFACES = list(Surface)

WORK_LONG_SIDE_PX = 1024
"""Pieces are found on a copy this long; a 12-megapixel photo shrinks 4 times."""

REFINE_LONG_SIDE_PX = 1536
"""Outlines are refined on a crop at most this long."""

MIN_AREA_SHARE = 4e-4
"""Smaller spots are dirt: 0.04 % is 20 mm² of an A5 page."""

MULTIPLE_PX = 8
"""Sides of the piece network's input are multiples of this."""

TABLE_SAY = 0.3
"""Weight of the table distance beside the network. On 72 renders it leaves 0.44 false
finds a piece and 75 % of the found pixels right; the distance alone 0.67 and 56 %, the
network alone as few false finds but 3 % fewer pieces."""

Z_HALF = 4.5
"""Distance from the table, in its own spreads, where a pixel is as likely piece as
table. At 3 wood grain comes through; at 6 dull pieces on wood are lost."""


def reference_mask(
    shape: tuple[int, int], outlines_px: Sequence[FloatArray], factor: float, *, margin_px: int = 3
) -> Mask:
    """Return the pixels of a reduced photo that belong to the reference, with a margin."""
    mask = np.zeros(shape, np.uint8)
    for outline in outlines_px:
        points = np.round((outline + 0.5) / factor - 0.5).astype(np.int32)
        cv2.fillPoly(mask, [points], (1,))
    grown = cv2.dilate(mask, np.ones((2 * margin_px + 1, 2 * margin_px + 1), np.uint8))
    return np.asarray(grown, dtype=bool)


def foreground_by_table(features: Float32Array) -> Float32Array:
    """Return how likely each pixel shows a piece, by its distance from the table alone.

    Args:
        features: ``(9, h, w)`` from :func:`vision.ground.table_features`.

    Returns:
        ``(h, w)`` float32, 0 to 1.
    """
    # A wide piece is its own window's median: there only the overall table tells it.
    z = 4 * np.maximum(features[6], 0.8 * features[7])
    z = cv2.GaussianBlur(z, (0, 0), 1.0)
    p = 1.0 / (1.0 + np.exp(-1.5 * (z - Z_HALF)))
    p[features[8] > 0] = 0.0
    return np.asarray(p, dtype=np.float32)


def foreground_by_network(features: Float32Array) -> Float32Array | None:
    """Return the same by the small piece network, None where its file is missing.

    Its log odds are mixed with those of the distance from the table, which sees thin
    wire that the network smooths away.
    """
    session = _piece_network()
    if session is None:
        return None
    _, h, w = features.shape
    pad = ((0, 0), (0, -h % MULTIPLE_PX), (0, -w % MULTIPLE_PX))
    (answer,) = session.run(None, {"features": np.pad(features, pad, mode="edge")[None]})
    # Its second plane, where one piece ends and another begins, parted no more pieces on
    # 72 renders than no plane at all, so it is not used.
    network, distance = _log_odds(answer[0, 0, :h, :w]), _log_odds(foreground_by_table(features))
    p = 1 / (1 + np.exp(-(1 - TABLE_SAY) * network - TABLE_SAY * np.clip(distance, -4, 4)))
    p[features[8] > 0] = 0.0
    return np.asarray(p, dtype=np.float32)


def _log_odds(p: Float32Array) -> Float32Array:
    p = np.clip(p, 1e-4, 1 - 1e-4)
    return np.asarray(np.log(p / (1 - p)), dtype=np.float32)


@cache
def _piece_network() -> Any:  # noqa: ANN401 - onnxruntime has no types
    from importlib.resources import files

    import onnxruntime

    file = files("models").joinpath("pieces.onnx")
    if not file.is_file():
        return None
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 2
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")
    return onnxruntime.InferenceSession(
        file.read_bytes(), options, providers=["CPUExecutionProvider"]
    )


def foreground_by_surface(
    surface: SurfaceMap, shape: tuple[int, int], reference: Mask
) -> Float32Array:
    """Return how likely each pixel shows a piece, by the surface network's overview.

    Args:
        surface: Map over the whole photo.
        shape: ``(h, w)`` of the reduced photo.
        reference: ``(h, w)`` pixels to leave out.
    """
    ground = surface.p[[SURFACES.index(Surface.TABLE), SURFACES.index(Surface.REFERENCE)]]
    p = cv2.resize(1 - ground.sum(axis=0), shape[::-1], interpolation=cv2.INTER_LINEAR)
    p[reference] = 0.0
    return np.asarray(np.clip(p, 0, 1), dtype=np.float32)


def regions_from_foreground(
    photo: Photo, foreground: Float32Array, factor: float
) -> tuple[Region, ...]:
    """Return the pieces of a foreground map, largest first, at full resolution.

    Args:
        photo: The photo the map belongs to.
        foreground: ``(h, w)`` float32, 0 to 1, over the whole photo.
        factor: Photo pixels per map pixel.
    """
    mask: Mask = (foreground > 0.5).astype(np.uint8)
    mask = cv2.morphologyEx(
        mask, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5))
    )
    count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    found = []
    for number in range(1, count):
        if stats[number, cv2.CC_STAT_AREA] < MIN_AREA_SHARE * mask.size:
            continue
        own = labels == number
        # The surest tenth of a piece is far from the table; a smear of doubt is not a piece.
        score = float(np.quantile(foreground[own], 0.9))
        if score < 0.8:
            continue
        region = _refined(photo, foreground, own, stats[number], factor, score)
        if region is not None:
            found.append(region)
    return tuple(sorted(found, key=lambda region: -int(region.mask.sum())))


def _refined(
    photo: Photo,
    foreground: Float32Array,
    own: Mask,
    stats: np.ndarray,
    factor: float,
    score: float,
) -> Region | None:
    """Snap one component to the photo's edges and return it at full resolution."""
    pad = 8
    x0, y0 = max(0, stats[0] - pad), max(0, stats[1] - pad)
    x1 = min(own.shape[1], stats[0] + stats[2] + pad)
    y1 = min(own.shape[0], stats[1] + stats[3] + pad)
    left, top = int(x0 * factor), int(y0 * factor)
    right = min(photo.width_px, int(np.ceil(x1 * factor)))
    bottom = min(photo.height_px, int(np.ceil(y1 * factor)))
    crop, step = reduced(photo.rgb[top:bottom, left:right], REFINE_LONG_SIDE_PX)
    size = crop.shape[1::-1]
    grown = cv2.dilate(own[y0:y1, x0:x1].astype(np.uint8), np.ones((5, 5), np.uint8))
    soft = cv2.resize(foreground[y0:y1, x0:x1] * grown, size, interpolation=cv2.INTER_LINEAR)
    radius = max(2, round(1.5 * factor / step))
    snapped = guided_filter(soft, crop, radius_px=radius)
    if step > 1:
        full_size = (right - left, bottom - top)
        snapped = cv2.resize(snapped, full_size, interpolation=cv2.INTER_LINEAR)
    full = _largest(snapped > 0.5)
    contours, _ = cv2.findContours(full.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    contour = max(contours, key=cv2.contourArea)
    outline = cv2.approxPolyDP(contour, 0.5, closed=True)[:, 0].astype(np.float64) + (left, top)
    x, y, w, h = cv2.boundingRect(contour)
    return Region(
        box_px=(left + x, top + y, w, h),
        mask=full[y : y + h, x : x + w],
        outline_px=outline,
        score=score,
    )


def _largest(mask: Mask) -> Mask:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        mask.astype(np.uint8), connectivity=8
    )
    if count <= 2:
        return mask
    return np.asarray(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])), dtype=bool)


def guided_filter(soft: Float32Array, guide: Image, *, radius_px: int) -> Float32Array:
    """Return ``soft`` with its edges moved to the guide's (He, Sun and Tang 2013).

    Grey-guide form of the filter on the channel of the guide with the most contrast.

    Args:
        soft: ``(h, w)`` float32.
        guide: ``(h, w, 3)`` uint8.
        radius_px: Half of the window.
    """
    channel = int(np.argmax(guide.reshape(-1, 3)[::16].std(axis=0)))
    grey = guide[..., channel].astype(np.float32) / 255
    size = (2 * radius_px + 1, 2 * radius_px + 1)
    mean_i, mean_p = cv2.blur(grey, size), cv2.blur(soft, size)
    variance = cv2.blur(grey * grey, size) - mean_i * mean_i
    covariance = cv2.blur(grey * soft, size) - mean_i * mean_p
    slope = covariance / (variance + 1e-3)
    offset = mean_p - slope * mean_i
    return np.asarray(cv2.blur(slope, size) * grey + cv2.blur(offset, size), dtype=np.float32)


def find_pieces(
    photo: Photo, *, reference_outlines_px: Sequence[FloatArray] = ()
) -> tuple[Region, ...]:
    """Return every piece on the table, largest first, without the surface network."""
    small, factor = reduced(photo.rgb, WORK_LONG_SIDE_PX)
    reference = reference_mask(small.shape[:2], reference_outlines_px, factor)
    features = table_features(small, reference)
    foreground = foreground_by_network(features)
    if foreground is None:
        foreground = foreground_by_table(features)
    return regions_from_foreground(photo, foreground, factor)
