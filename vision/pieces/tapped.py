"""Which piece does a person mean who taps on the photo, where the program missed it?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import cv2
import numpy as np

from vision.photo.reduced import reduced
from vision.pieces.finding import reference_mask, regions_from_labels
from vision.pieces.outlines import parted
from vision.problems import photo_error
from vision.types import FloatArray, Image, Mask, Photo, Region, SurfaceMap

WORK_LONG_SIDE_PX = 1024
"""Looked for on a copy this long; a 12-megapixel photo shrinks 4 times."""

NEAR_TAP_PX = 10
"""A finger may miss a thin wire by so many pixels of the reduced photo."""

THRESHOLDS = (0.5, 0.35, 0.2, 0.1, 0.05)
"""Foreground that counts when a person says that a piece lies there, the surest first."""

CUT_LONG_SIDE_PX = 320
UNLIKE = 40.0
"""CIELAB units as OpenCV codes them: more than from a lit to a shaded side of one tube."""

LEAST_SHARE, MOST_SHARE = 1e-4, 0.5
"""More than half of the photo is the table, not the piece; a ten thousandth is 5 mm² of an
A5 page, a speck."""

MOST_RIM = 0.4
"""Share of the photo's rim along which only a table runs. Chosen."""


def region_at(
    photo: Photo,
    point_px: tuple[float, float],
    *,
    reference_outlines_px: Sequence[FloatArray] = (),
    overview: SurfaceMap,
) -> Region:
    """Return the piece that the person tapped.

    First the pieces that the finder sees, then ever fainter ones as long as they hold
    the tapped point and stay a piece, at last what has the colour under the finger.

    Args:
        photo: The photo.
        point_px: The tapped point, ``(x, y)`` in photo pixels.
        reference_outlines_px: What can't be a piece.
        overview: The surface network's map over the whole photo.

    Raises:
        PhotoError: ``nothing_there``: no bounded thing lies under the finger.
    """
    small, factor = reduced(photo.rgb, WORK_LONG_SIDE_PX)
    shape = small.shape[:2]
    reference = reference_mask(shape, reference_outlines_px, factor)
    tap = _on_grid(point_px, factor, shape)
    if reference[tap]:
        raise photo_error("nothing_there", told="the tapped point lies on the reference")
    for own in _candidates(small, reference, tap, overview):
        found = regions_from_labels(photo, own.astype(np.float32), own.astype(np.int32))
        if found:
            return found[0]
    told = "nothing that stands out from the table lies under the finger"
    raise photo_error("nothing_there", told=told)


def _candidates(
    small: Image, reference: Mask, tap: tuple[int, int], overview: SurfaceMap
) -> Iterator[Mask]:
    """Yield what may be meant, the likeliest first, each only made when it is asked for."""
    size = small.shape[1::-1]
    piece, gap = (cv2.resize(m, size, interpolation=cv2.INTER_LINEAR) for m in overview.outline)
    piece = np.where(reference, np.float32(0), piece)
    labels = parted(piece, gap, overview).kept()
    if labels[tap]:
        yield np.asarray(labels == labels[tap], dtype=bool)
    for threshold in THRESHOLDS:
        own = _component(piece > threshold, tap)
        if own is not None and _is_piece(own):
            yield own
    cut = _like_under_finger(small, tap, reference)
    if cut is not None:
        yield cut


def _on_grid(
    point_px: tuple[float, float], factor: float, shape: tuple[int, int]
) -> tuple[int, int]:
    """Return ``(row, column)`` of a photo point on the reduced photo."""
    x, y = ((value + 0.5) / factor - 0.5 for value in point_px)
    return (
        int(np.clip(round(y), 0, shape[0] - 1)),
        int(np.clip(round(x), 0, shape[1] - 1)),
    )


def _component(mask: Mask, tap: tuple[int, int]) -> Mask | None:
    """Return the connected part of a mask at the tap, or the nearest that a finger may mean."""
    count, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    if count < 2:
        return None
    row, column = tap
    top, left = max(0, row - NEAR_TAP_PX), max(0, column - NEAR_TAP_PX)
    near = labels[top : row + NEAR_TAP_PX + 1, left : column + NEAR_TAP_PX + 1]
    rows, columns = np.nonzero(near)
    if not len(rows):
        return None
    away = np.hypot(rows + top - row, columns + left - column)
    nearest = int(np.argmin(away))
    if away[nearest] > NEAR_TAP_PX:
        return None
    return np.asarray(labels == near[rows[nearest], columns[nearest]], dtype=bool)


def _is_piece(own: Mask) -> bool:
    rim = np.concatenate([own[0], own[-1], own[:, 0], own[:, -1]])
    return bool(LEAST_SHARE <= own.mean() <= MOST_SHARE and rim.mean() <= MOST_RIM)


def _like_under_finger(small: Image, tap: tuple[int, int], reference: Mask) -> Mask | None:
    """Return what a graph cut parts from the rest, from the colour under the finger.

    On a copy at most ``CUT_LONG_SIDE_PX`` long: a cut's time grows faster than its pixels.
    """
    copy, factor = reduced(small, CUT_LONG_SIDE_PX)
    height, width = copy.shape[:2]
    row, column = round(tap[0] / factor), round(tap[1] / factor)
    lab = cv2.cvtColor(copy, cv2.COLOR_RGB2LAB).astype(np.float32)
    near = lab[max(0, row - 1) : row + 2, max(0, column - 1) : column + 2]
    unlike = np.linalg.norm(lab - np.median(near.reshape(-1, 3), axis=0), axis=2) > UNLIKE
    marks = np.full((height, width), cv2.GC_PR_BGD, np.uint8)
    cv2.circle(marks, (column, row), max(height, width) // 4, (int(cv2.GC_PR_FGD),), -1)
    marks[unlike] = cv2.GC_PR_BGD
    rim = max(2, min(height, width) // 50)
    marks[:rim] = marks[-rim:] = cv2.GC_BGD
    marks[:, :rim] = marks[:, -rim:] = cv2.GC_BGD
    is_reference = cv2.resize(reference.astype(np.uint8), (width, height)) > 0
    marks[is_reference] = cv2.GC_BGD
    cv2.circle(marks, (column, row), 1, (int(cv2.GC_FGD),), -1)
    cv2.setRNGSeed(1)
    table_model, piece_model = np.zeros((1, 65)), np.zeros((1, 65))
    whole = (0, 0, width, height)  # not used where marks are given
    try:
        cv2.grabCut(copy, marks, whole, table_model, piece_model, 2, cv2.GC_INIT_WITH_MASK)
    except cv2.error:  # nothing left to learn the table from
        return None
    found = np.isin(marks, (cv2.GC_FGD, cv2.GC_PR_FGD)).astype(np.uint8)
    full = cv2.resize(found, small.shape[1::-1], interpolation=cv2.INTER_LINEAR) > 0
    own = _component(full, tap)
    return own if own is not None and _is_piece(own) else None
