"""What a person's finger can tell where the program got it wrong: a length, a piece.

Two tapped points a known distance apart give a scale; one tapped point says which piece
counts. Neither is as good as a reference that was found: the slant of the phone stays
unknown, and its whole doubt goes into the budget.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import hypot, isfinite, nan, radians, sin, sqrt

import cv2
import numpy as np

from rules.errors import PhotoError
from vision.photo.reduced import reduced
from vision.pieces.finding import (
    MIN_AREA_SHARE,
    SURFACES,
    WORK_LONG_SIDE_PX,
    foreground_by_table,
    reference_mask,
    regions_from_labels,
)
from vision.pieces.ground import table_features
from vision.pieces.outlines import parted
from vision.reference.plane import lens_of
from vision.types import (
    Float32Array,
    FloatArray,
    Image,
    Mask,
    Photo,
    Region,
    Scale,
    Surface,
    SurfaceMap,
)

REFERENCE = "two points"

LONGEST_MM = 2000.0
MIN_DISTANCE_PX = 60.0
"""Nearer to each other, a finger's 2 px on each end are 5 % of the length."""

# A rule is read to half of its millimetre marks: rectangular (JCGM 100:2008, 4.3.7).
U_LENGTH_MM = 0.5 / sqrt(3)
# Phones held level by hand are up to about 15 degrees off, evenly spread: assumed, no
# source. The 28 rendered photos of fixtures/renders have 8.6 degrees (root mean square).
TILT_RMS_DEG = 15 / sqrt(3)
# How far a length lying one way and one lying another way shrink differently under a tilt
# t is t²/2 times the difference of two squared cosines, whose root mean square is 1/2;
# for tilts evenly spread to 15 degrees the mean of t to the fourth is (15 deg)^4 / 5.
U_TILT_REL = radians(15) ** 2 / sqrt(5) / 4
# Off the middle the plane is nearer or further by the tilt's sine times the cosine of the
# way there (mean square 1/2). A length across the tilt then scales once with the distance,
# one along it twice: 1 + c² with c the cosine of its own way, mean square 1 + 1 + 3/8.
AWAY = sqrt(19 / 8 / 2)
U_LENS_REL = 0.0015  # as vision.reference.scale
U_HEIGHT_MM = 1.0  # the points may lie on top of what was measured, a coin or a rule

NEAR_TAP_PX = 10
"""A finger may miss a thin wire by so many pixels of the reduced photo."""

THRESHOLDS = (0.5, 0.35, 0.2, 0.1, 0.05)
"""Foreground that counts when a person says that a piece lies there, the surest first."""

CUT_LONG_SIDE_PX = 320
UNLIKE = 40.0
"""CIELAB units as OpenCV codes them: more than from a lit to a shaded side of one tube."""

MOST_SHARE = 0.5
"""More than half of the photo is the table, not the piece."""


def scale_from_two_points(
    photo: Photo,
    first_px: tuple[float, float],
    second_px: tuple[float, float],
    *,
    length_mm: float,
    u_length_mm: float = U_LENGTH_MM,
    u_tap_px: float = 2.0,
) -> Scale:
    """Return the scale that two points a known distance apart give.

    A similarity; that the phone's tilt is unknown goes into ``u_rel`` (lines of other
    directions) and ``u_away_rel_per_mm`` (pieces further off); ``tilt_deg`` is NaN.

    Args:
        photo: The photo.
        first_px: One point, ``(x, y)``.
        second_px: The other.
        length_mm: Distance between them on the table, mm.
        u_length_mm: Its standard uncertainty.
        u_tap_px: Standard uncertainty of each coordinate tapped.

    Raises:
        PhotoError: ``points_too_near``, ``length_wrong`` or ``points_outside``.

    References:
        JCGM 100:2008, 5.1.2, for the sum of the parts.
    """
    if not (isfinite(length_mm) and 0 < length_mm <= LONGEST_MM):
        raise PhotoError(
            f"a distance of {length_mm:g} mm can't be right",
            code="length_wrong",
            fix=f"Enter the distance between the two points in mm, at most {LONGEST_MM:g}.",
        )
    ends = np.array([first_px, second_px], np.float64)
    size = np.array([photo.width_px, photo.height_px])
    if not np.isfinite(ends).all() or (ends < -0.5).any() or (ends > size - 0.5).any():
        raise PhotoError(
            "a point lies outside of the photo",
            code="points_outside",
            fix="Tap both points on the photo.",
        )
    distance_px = float(np.hypot(*(ends[1] - ends[0])))
    if distance_px < MIN_DISTANCE_PX:
        raise PhotoError(
            f"the two points are only {distance_px:.0f} px apart; {MIN_DISTANCE_PX:.0f} are needed",
            code="points_too_near",
            fix="Tap two points further apart, the longer the better.",
        )
    mm_per_px = length_mm / distance_px
    lens = lens_of(photo)
    height = lens.focal_px * mm_per_px
    budget = {
        "taps": sqrt(2) * u_tap_px / distance_px,
        "length": u_length_mm / length_mm,
        "unknown_tilt": U_TILT_REL,
        "lens_distortion": U_LENS_REL,
        "face_height": U_HEIGHT_MM / height,
    }
    centre = ends.mean(axis=0)
    nadir = (np.array(lens.centre_px) - centre) * mm_per_px
    tilt = radians(TILT_RMS_DEG)
    return Scale(
        reference=REFERENCE,
        mm_from_px=np.array(
            [
                [mm_per_px, 0.0, -mm_per_px * centre[0]],
                [0.0, mm_per_px, -mm_per_px * centre[1]],
                [0.0, 0.0, 1.0],
            ]
        ),
        mm_per_px=mm_per_px,
        u_rel=sqrt(sum(part**2 for part in budget.values())),
        budget=budget,
        tilt_deg=nan,
        residual_px=0.0,
        outlines_px=(),
        camera_mm=(float(nadir[0]), float(nadir[1]), height),
        u_camera_rel=hypot(lens.u_log_focal, U_TILT_REL),
        white=None,
        u_away_rel_per_mm=AWAY * sin(tilt) / height,
    )


def region_at(
    photo: Photo,
    point_px: tuple[float, float],
    *,
    reference_outlines_px: Sequence[FloatArray] = (),
    overview: SurfaceMap | None = None,
) -> Region:
    """Return the piece that the person tapped.

    First the pieces that the finder sees, then ever fainter ones as long as they hold
    the tapped point and stay a piece, at last what has the colour under the finger.

    Args:
        photo: The photo.
        point_px: The tapped point, ``(x, y)`` in photo pixels.
        reference_outlines_px: What can't be a piece.
        overview: The surface network's map over the whole photo; None does without.

    Raises:
        PhotoError: ``nothing_there``: no bounded thing lies under the finger.
    """
    small, factor = reduced(photo.rgb, WORK_LONG_SIDE_PX)
    shape = small.shape[:2]
    reference = reference_mask(shape, reference_outlines_px, factor)
    tap = _on_grid(point_px, factor, shape)
    if reference[tap]:
        raise _nothing("the tapped point lies on the reference")
    for own in _candidates(small, reference, tap, overview):
        region = _region(photo, own, factor, point_px)
        if region is not None:
            return region
    raise _nothing("nothing that stands out from the table lies under the finger")


def _candidates(
    small: Image, reference: Mask, tap: tuple[int, int], overview: SurfaceMap | None
) -> Iterator[Mask]:
    """Yield what may be meant, the likeliest first, each only made when it is asked for."""
    if overview is None:
        foreground, gap = foreground_by_table(table_features(small, reference)), None
    else:
        foreground, gap = _maps_of(overview, small.shape[:2])
        foreground = np.where(reference, np.float32(0), foreground)
    labels = parted(foreground, gap)
    if gap is not None and labels[tap]:
        yield np.asarray(labels == labels[tap], dtype=bool)
    for threshold in THRESHOLDS:
        own = _component(foreground > threshold, tap)
        if own is not None and _is_piece(own):
            yield own
    cut = _like_under_finger(small, tap, reference)
    if cut is not None:
        yield cut


def _maps_of(
    overview: SurfaceMap, shape: tuple[int, ...]
) -> tuple[Float32Array, Float32Array | None]:
    """Return how likely a piece, and that another begins there, on the reduced photo."""
    size = (shape[1], shape[0])
    if overview.outline is not None:
        piece, gap = (cv2.resize(m, size, interpolation=cv2.INTER_LINEAR) for m in overview.outline)
        return np.asarray(piece, dtype=np.float32), np.asarray(gap, dtype=np.float32)
    ground = overview.p[[SURFACES.index(Surface.TABLE), SURFACES.index(Surface.REFERENCE)]]
    piece = cv2.resize(np.clip(1 - ground.sum(axis=0), 0, 1), size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(piece, dtype=np.float32), None


def _nothing(message: str) -> PhotoError:
    return PhotoError(
        message,
        code="nothing_there",
        fix="Tap the middle of the piece's metal, or lay it on plain white paper.",
    )


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
    share = float(own.mean())
    return MIN_AREA_SHARE / 4 <= share <= MOST_SHARE and not _fills_the_rim(own)


def _fills_the_rim(own: Mask) -> bool:
    """Whether a mask runs along most of the photo's rim, as only a table does."""
    rim = np.concatenate([own[0], own[-1], own[:, 0], own[:, -1]])
    return bool(rim.mean() > 0.4)


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


def _region(photo: Photo, own: Mask, factor: float, point_px: tuple[float, float]) -> Region | None:
    """Return a mask of the reduced photo as a region, its outline snapped to the edges."""
    found = regions_from_labels(
        photo, own.astype(np.float32), own.astype(np.int32), least=MIN_AREA_SHARE / 4
    )
    margin = (NEAR_TAP_PX + 2) * factor
    x, y = point_px
    for region in found:
        left, top, width, height = region.box_px
        if (
            left - margin <= x <= left + width + margin
            and top - margin <= y <= top + height + margin
        ):
            return region
    return None
