"""Which way does the table tilt under a coin, and how sure is that?

A circle seen from an angle is an ellipse, and two planes show the same ellipse: mirror
images of each other about the ray to the coin. They are not alike likely. Off the middle of
the photo the ray itself is slanted, so one of the two planes is the more tilted one against
the camera, and people hold a phone more or less level. So every plane within reach is
weighed by how well it shows the ellipse and how usual its tilt is; the scale away from the
coin follows from the mean of them, and its doubt from their spread. How well each shows the
coin as a body with a wall (`vision.reference.coin.body`) settles most of what the ellipse
leaves open.

A plane is told by its slopes ``(a, b)``: points on it have the depth
``z = z0 (1 + a x0 + b y0) / (1 + a x + b y)`` with ``x, y`` the ray's direction, ``x0, y0``
that to the coin, so log depth is nearly linear in the slopes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import atan, degrees, hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from vision.reference.coin.body import (
    U_LOG_FOUND,
    BodyLook,
    between_planes,
    frames_of,
    image_of_plane,
    planes_within,
    slopes_of,
)
from vision.reference.coin.ellipse import Ellipse
from vision.types import FloatArray

STEP_DEG = 1.0
MAX_TILT_DEG = 35.0
TILT_USUAL_DEG, TILT_FREEDOM = 5.0, 4.0
"""Tilts of photos taken by hand from above, as Student's t in two directions: more than 15 degrees
in 9 of 100, than 20 in 4, than 25 in 2. Common practice, no source. A normal of 7 degrees has
2 of 1000 beyond 25, and overruled coins that showed more."""

ELLIPSE_FREEDOM = 4.0
"""An outline's misses have the tails of Student's t with so many degrees of freedom: some outlines
hold a shadow or lose a burnt rim, and are rounder than any coin on the true plane."""

U_RATIO, U_RATIO_RESIDUALS = 0.0025, 3.0
"""Standard uncertainty of a coin's short over long axis, its wall apart: that of a clean
outline, and in residuals of the outline over its long axis. Of 35 rendered coins those
with residuals under 0.0012 are off by 0.002, the others by 3 to 5 residuals."""

WALL_SHARE, U_WALL_SHARE = 0.3, 0.4
WALL_RESIDUAL = 0.002
"""How much of the wall that shows on the near side is taken for the coin; less where the
residual is under `WALL_RESIDUAL` of the long axis, for face and wall together make no
ellipse. Of the same coins: 0.32 with a standard deviation of 0.41."""

U_LOG_SIZE = 0.014
"""Of two equal coins on one photo, each."""

ELLIPSE_SHARE = 0.5
"""What a coin's ellipse counts for beside its body: the share of its own log likelihood that is
left, since both rest on the same edges. 0.3 to 1 do equally well on 24 rendered coins."""

PLANE_LOG = 45.0
"""Log likelihood of a plane with every ray showing an edge over one with none."""

MISREAD = 0.05
"""Share of coins whose edges say nothing of the plane, seen as they were: a shadow's rim, relief or
a mirror image of the plane. What is left then is how people hold a phone.

Both and the two freedoms by the mean log density of the true slopes of 75 rendered coins tilted by
0 to 30 degrees, weighed as tilts come (half the photos with 6 degrees in the root mean square, half
with 11): 3.01 with a normal's tails, 30 and no share, 3.09 with these (3.05 to 3.09 with 30 to 60
and 0.03 to 0.1). Of 46 others 3.09 before and 3.16, unweighed 1.95 and 2.12."""

U_SLOPE = 0.02
"""Standard uncertainty of either slope that bodies leave even where one plane is clearly best:
planes are tried in steps, and rims are no sharp edges."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoinPlane:
    """The planes that a coin's outline allows, as one and as spread.

    Attributes:
        slopes: ``(2,)`` mean of the slopes.
        covariance: ``(2, 2)`` of the slopes.
        tilt_deg: Mean angle between the camera's axis and the plane's normal.
        u_log_cosine: Standard uncertainty of the log of the cosine of the tilt.
        log_size: Log of the diameter in pixels that the coin has at its depth lying square
            to the camera's axis; of several coins the mean.
        u_log_size: Its standard uncertainty from not knowing which plane it is.
        shift_px: ``(n, 2)`` from each outline's centre to the face's.
    """

    slopes: FloatArray
    covariance: FloatArray
    tilt_deg: float
    u_log_cosine: float
    log_size: float
    u_log_size: float
    shift_px: FloatArray

    def mm_from_px(
        self, centre_px: FloatArray, *, depth_mm: float, focal_px: float, middle_px: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the homography to mm from the coin's centre, and the camera in that frame.

        Args:
            centre_px: ``(2,)`` the coin's centre on the photo.
            depth_mm: Of that centre along the camera's axis.
            focal_px: Focal length.
            middle_px: ``(2,)`` principal point.
        """
        ray = np.array([*((centre_px - middle_px) / focal_px), 1.0])
        right, other, normal = (axis[0] for axis in frames_of(self.slopes[None]))
        turn = np.column_stack([right, other])
        centre = depth_mm * ray
        lens = np.array([[focal_px, 0, middle_px[0]], [0, focal_px, middle_px[1]], [0, 0, 1]])
        mm_from_px = np.linalg.inv(lens @ np.column_stack([turn, centre]))
        camera = -np.array([*(turn.T @ centre), -(normal @ centre)])
        return mm_from_px / mm_from_px[2, 2], camera


@lru_cache(maxsize=1)
def _planes() -> tuple[FloatArray, FloatArray, NDArray[np.int64], FloatArray]:
    """Slopes of the planes weighed, their log weight before any look, and which of the planes
    that bodies were tried on lie around each, with their shares."""
    angles = planes_within(MAX_TILT_DEG, STEP_DEG)
    usual = _student(np.hypot(*angles.T) / np.radians(TILT_USUAL_DEG), TILT_FREEDOM)
    return slopes_of(angles), usual, *between_planes(angles)


def plane_of_coins(
    ellipses: Sequence[Ellipse],
    *,
    residuals: Sequence[float],
    thickness_share: float,
    focal_px: float,
    middle_px: FloatArray,
    bodies: Sequence[BodyLook] = (),
) -> CoinPlane:
    """Weigh the planes that may show equal coins as these ellipses, and as these bodies.

    Args:
        ellipses: Outline of each coin.
        residuals: RMS distance of its points from the outline, over the long axis.
        thickness_share: Thickness over diameter.
        focal_px: Focal length.
        middle_px: ``(2,)`` principal point.
        bodies: Of each coin, how well every plane shows it; none where only the outlines
            are known.
    """
    slopes, usual, rows, share = _planes()
    rays = (np.array([one.centre_px for one in ellipses]) - middle_px) / focal_px
    logs = usual.copy()
    sizes = np.empty((len(slopes), len(ellipses)))
    shifts = np.zeros((len(slopes), len(ellipses), 2))
    for n, (one, residual, ray) in enumerate(zip(ellipses, residuals, rays, strict=True)):
        wall = thickness_share * min(1.0, residual / WALL_RESIDUAL)
        stretch, u_wall, longer = _seen_stretch(slopes, ray, wall_share=wall)
        u_stretch = np.hypot(0.5 * hypot(U_RATIO, U_RATIO_RESIDUALS * residual), u_wall)
        twice = 2 * np.radians(one.angle_deg)
        seen = 0.5 * (1 - one.axis_ratio) * np.array([np.cos(twice), np.sin(twice)])
        miss = np.linalg.norm(stretch - seen, axis=1) / u_stretch
        like_ellipse = _student(miss, ELLIPSE_FREEDOM) - 2 * np.log(u_stretch)
        log_major = np.full(len(slopes), np.log(one.major_px))
        if bodies:
            log_major = (bodies[n].log_major[rows] * share).sum(axis=1)
            centres = (bodies[n].centres_px[rows] * share[..., None]).sum(axis=1)
            shifts[:, n] = centres - one.centre_px
            off = (log_major - np.log(one.major_px)) / U_LOG_FOUND
            scores = (bodies[n].scores[rows] * share).sum(axis=1)
            like_ellipse = ELLIPSE_SHARE * like_ellipse + PLANE_LOG * scores - 0.5 * off**2
        logs += like_ellipse
        sizes[:, n] = log_major - longer
    if len(ellipses) > 1:
        told = np.log(1 + slopes @ rays.T)  # nearer coins look larger
        apart = sizes - told
        apart -= apart.mean(axis=1, keepdims=True)
        logs -= 0.5 * np.sum((apart / U_LOG_SIZE) ** 2, axis=1)
    weight = (1 - MISREAD) * _shares(logs) + MISREAD * _shares(usual)
    mean = weight @ slopes
    off_mean = slopes - mean
    tilts = np.arctan(np.hypot(*slopes.T))
    cosines = np.log(np.cos(tilts))
    size = sizes.mean(axis=1)
    log_size = float(weight @ size)
    covariance = (off_mean * weight[:, None]).T @ off_mean
    return CoinPlane(
        slopes=mean,
        covariance=covariance + U_SLOPE**2 * np.eye(2) if bodies else covariance,
        tilt_deg=degrees(float(weight @ tilts)),
        u_log_cosine=sqrt(float(weight @ (cosines - np.log(np.cos(atan(np.hypot(*mean))))) ** 2)),
        log_size=log_size,
        u_log_size=sqrt(float(weight @ (size - log_size) ** 2)),
        shift_px=np.einsum("k,kni->ni", weight, shifts),
    )


def _student(away: FloatArray, freedom: float) -> FloatArray:
    """Log density of Student's t in two dimensions, but for a constant, so far from its middle."""
    logs: FloatArray = -(freedom + 2) / 2 * np.log1p(away**2 / freedom)
    return logs


def _shares(logs: FloatArray) -> FloatArray:
    weight = np.exp(logs - logs.max())
    shares: FloatArray = weight / weight.sum()
    return shares


def _seen_stretch(
    slopes: FloatArray, ray: FloatArray, *, wall_share: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How stretched planes of these slopes show a coin on a ray, and the doubt of that.

    Returns:
        ``(n, 2)`` half of one less the axis ratio, times cosine and sine of twice the long
        axis's direction; ``(n,)`` standard uncertainty of either, from the wall; ``(n,)`` log
        of the long axis over that of a coin square to the camera's axis at that depth.
    """
    by_place, _ = image_of_plane(slopes, ray)
    square = by_place @ np.swapaxes(by_place, 1, 2)
    half, trace = 0.5 * (square[:, 0, 0] - square[:, 1, 1]), square[:, 0, 0] + square[:, 1, 1]
    apart = np.hypot(half, square[:, 0, 1])
    ratio = np.sqrt(np.maximum(trace / 2 - apart, 1e-9) / (trace / 2 + apart))
    _, _, normal = frames_of(slopes)
    line = np.array([*ray, 1.0]) / np.sqrt(1 + ray @ ray)
    slant = np.sqrt(np.maximum(1 - (normal @ line) ** 2, 0.0))
    wall = wall_share * slant
    size = 0.5 * np.maximum(1 - ratio - WALL_SHARE * wall, 0.0)
    direction = np.column_stack([half, square[:, 0, 1]]) / np.maximum(apart, 1e-12)[:, None]
    return (
        size[:, None] * direction,
        0.5 * U_WALL_SHARE * wall,
        0.5 * np.log(trace / 2 + apart),
    )
