"""How big is a pixel, by two tapped points a known distance apart?

Not as well known as by a reference that was found: the slant of the phone stays unknown,
and its whole doubt goes into the budget.
"""

from __future__ import annotations

from math import hypot, isfinite, nan, radians, sin, sqrt

import numpy as np

from vision.problems import photo_error
from vision.reference.plane import lens_of
from vision.types import Photo, Scale

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


def scale_from_two_points(
    photo: Photo,
    first_px: tuple[float, float],
    second_px: tuple[float, float],
    *,
    length_mm: float,
    u_tap_px: float = 2.0,
) -> Scale:
    """Return the scale that two points a known distance apart give.

    A similarity; that the phone's tilt is unknown goes into ``u_rel`` (lines of other
    directions) and ``u_away_rel_per_mm`` (pieces further off); ``tilt_deg`` is NaN.

    >>> photo = Photo(name="a", sha256="", rgb=np.zeros((3000, 4000, 3), np.uint8))
    >>> scale = scale_from_two_points(photo, (1000, 500), (2000, 500), length_mm=85.6)
    >>> f"{scale.mm_per_px:.4f} mm a pixel, to {100 * scale.u_rel:.1f} %"
    '0.0856 mm a pixel, to 1.0 %'

    Args:
        photo: The photo.
        first_px: One point, ``(x, y)``.
        second_px: The other.
        length_mm: Distance between them on the table, mm.
        u_tap_px: Standard uncertainty of each coordinate tapped.

    Raises:
        PhotoError: ``points_too_near``, ``length_wrong`` or ``points_outside``.

    References:
        JCGM 100:2008, 5.1.2, for the sum of the parts.
    """
    if not (isfinite(length_mm) and 0 < length_mm <= LONGEST_MM):
        raise photo_error("length_wrong", length_mm=length_mm, longest_mm=LONGEST_MM)
    ends = np.array([first_px, second_px], np.float64)
    size = np.array([photo.width_px, photo.height_px])
    if not np.isfinite(ends).all() or (ends < -0.5).any() or (ends > size - 0.5).any():
        raise photo_error("points_outside")
    distance_px = float(np.hypot(*(ends[1] - ends[0])))
    if distance_px < MIN_DISTANCE_PX:
        raise photo_error("points_too_near", distance_px=distance_px, least_px=MIN_DISTANCE_PX)
    mm_per_px = length_mm / distance_px
    lens = lens_of(photo)
    height = lens.focal_px * mm_per_px
    budget = {
        "taps": sqrt(2) * u_tap_px / distance_px,
        "length": U_LENGTH_MM / length_mm,
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
