"""What lies there and is no piece: too short to be worth a bin, or plainly a stranger?

It is shown faintly, so that a person sees that it was seen, and a tap makes it a piece.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from vision.pieces.finding import reference_mask, regions_from_labels
from vision.pieces.fragments import Labels
from vision.types import FloatArray, LeftOut, Mask, Photo, Region, Scale, Surface, SurfaceMap, Why

LEAST_MM = 15.0
"""What is shorter is no piece where there is a scale: nobody sorts snippets shorter than a
thumb's nail one by one. Common practice, no source."""

LEAST_SHARE = 0.03
"""The same where there is none, as a share of the photo's longer side: 15 mm where a photo
shows half a metre of table."""

STRANGER_P, MEAN_P = 0.5, 0.7
"""The surface network's class from here on, and on average over the whole thing. Chosen, not
measured: two things passed on three rendered photos, both strangers, with 0.85 and 0.95."""

GROUND_P = 0.5
"""A cell that the classes take for table or reference by less shows a thing. Chosen."""

MOST_SHARE = 0.5
"""What covers more of the photo is the ground, as for :mod:`vision.pieces.tapped`."""

TAP_OFF_SHARE = 0.01
"""So far from its outline, as a share of the photo's longer side, a tap is still on a piece: a cell
of the map is as wide."""

MOST_STRANGERS = 12
"""More are not drawn: the table is full of them, and their outlines would hide it."""


def sort_out(
    photo: Photo,
    overview: SurfaceMap,
    found: Sequence[Region],
    scale: Scale | None,
    *,
    also: Sequence[tuple[float, float]] = (),
    any_length: bool = False,
) -> tuple[list[Region], list[LeftOut]]:
    """Return which finds are pieces, and what else lies there.

    Args:
        photo: The photo.
        overview: The surface network's map over all of it.
        found: The finds.
        scale: The scale; its reference is no stranger.
        also: Points on what is a piece all the same, in photo pixels.
        any_length: Whether short ones count too, as cut ends do.
    """
    is_long = [any_length or _is_long(photo, region.outline_px, scale) for region in found]
    if not any(is_long):  # a photo of nothing longer is about what is there
        is_long = [True] * len(found)
    pieces = [region for region, long in zip(found, is_long, strict=True) if long]
    short = [region for region, long in zip(found, is_long, strict=True) if not long]
    for point in also:
        wanted = next((region for region in short if _holds(region, point)), None)
        if wanted is not None:
            short = [region for region in short if region is not wanted]
        else:
            wanted = _thing_at(photo, overview, point, (*pieces, *short), scale)
        pieces += [wanted] if wanted is not None else []
    left = [LeftOut(outline_px=region.outline_px, why=Why.SHORT) for region in short]
    return pieces, [*left, *_strangers(photo, overview, (*pieces, *short), scale)]


def taps_on_nothing(
    pieces: Sequence[Region], also: Sequence[tuple[float, float]], photo: Photo
) -> list[tuple[float, float]]:
    """Return the tapped points that no piece came of."""
    off_px = TAP_OFF_SHARE * max(photo.width_px, photo.height_px)
    return [at for at in also if not any(_holds(one, at, off_px=off_px) for one in pieces)]


def _holds(region: Region, point_px: tuple[float, float], *, off_px: float = 0.0) -> bool:
    outline = region.outline_px.astype(np.float32)
    return cv2.pointPolygonTest(outline, point_px, measureDist=True) >= -off_px


def _strangers(
    photo: Photo, overview: SurfaceMap, taken: Sequence[Region], scale: Scale | None
) -> list[LeftOut]:
    """Return the things that the surface network takes for no copper at all, largest first."""
    labels = _stranger_labels(photo, overview, taken, scale)
    p = overview.p[list(Surface).index(Surface.STRANGER)]
    found = []
    for number in range(1, int(labels.max()) + 1):
        own = labels == number
        if float(p[own].mean()) < MEAN_P:
            continue
        outline = _outline(own, photo)
        if _is_long(photo, outline, scale):
            found.append((int(own.sum()), outline))
    found.sort(key=lambda one: -one[0])
    return [LeftOut(outline_px=outline, why=Why.STRANGER) for _, outline in found[:MOST_STRANGERS]]


def _thing_at(
    photo: Photo,
    overview: SurfaceMap,
    point_px: tuple[float, float],
    taken: Sequence[Region],
    scale: Scale | None,
) -> Region | None:
    """Return the thing under a tapped point as a piece, None where none lies there.

    A stranger, or else whatever is no ground: also what no outline was drawn of, or one that was
    hardly one whole piece (:data:`vision.pieces.outlines.LEAST_P`).
    """
    rows, columns = overview.tarnish_level.shape
    row = min(rows - 1, max(0, int(point_px[1] * rows / photo.height_px)))
    column = min(columns - 1, max(0, int(point_px[0] * columns / photo.width_px)))
    labels = _stranger_labels(photo, overview, taken, scale)
    if not labels[row, column]:
        labels = _labels_of(overview.ground_p < GROUND_P, photo, taken, scale)
    own = np.asarray(labels == labels[row, column], dtype=np.int32)
    if not labels[row, column] or own.mean() > MOST_SHARE:
        return None
    found = regions_from_labels(photo, own.astype(np.float32), own)
    return found[0] if found else None


def _stranger_labels(
    photo: Photo, overview: SurfaceMap, pieces: Sequence[Region], scale: Scale | None
) -> Labels:
    """Return the number of the stranger at each cell, from 1; 0 none."""
    is_stranger = overview.p[list(Surface).index(Surface.STRANGER)] > STRANGER_P
    return _labels_of(is_stranger, photo, pieces, scale)


def _labels_of(cells: Mask, photo: Photo, pieces: Sequence[Region], scale: Scale | None) -> Labels:
    """Number the islands of cells that are no piece's and not the reference's, from 1; 0 none."""
    taken = [piece.outline_px for piece in pieces]
    taken += scale.outlines_px if scale is not None else ()
    factor = photo.width_px / cells.shape[1]
    free = cells & ~reference_mask(cells.shape, taken, factor, margin_px=1)
    return np.asarray(cv2.connectedComponents(free.view(np.uint8), connectivity=8)[1], np.int32)


def _outline(own: Labels, photo: Photo) -> FloatArray:
    """Return the outline of cells in photo pixels."""
    contours, _ = cv2.findContours(own.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    points = max(contours, key=len)[:, 0].astype(np.float64)
    cell = np.array([photo.width_px / own.shape[1], photo.height_px / own.shape[0]])
    return np.asarray((points + 0.5) * cell - 0.5)


def _is_long(photo: Photo, outline_px: FloatArray, scale: Scale | None) -> bool:
    """Whether a thing's longer side is that of a piece, in mm where they are known."""
    points = outline_px if scale is None else scale.to_mm(outline_px)
    _, (width, height), _ = cv2.minAreaRect(points.astype(np.float32))
    least = LEAST_SHARE * max(photo.width_px, photo.height_px) if scale is None else LEAST_MM
    return bool(max(width, height) >= least)
