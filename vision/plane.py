"""From known points on a flat reference to the plane, the camera over it, and their doubt.

One small adjustment finds the pose, the focal length and the principal point
together; what the photo's metadata says of the lens enters as an observation
with its own uncertainty, so a tilted reference may correct it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from vision.types import FloatArray, Photo

# Main cameras of phones are 24 to 28 mm (35 mm equivalent), some 48 to 52 mm by
# cropping: common practice, no source. Without metadata the doubt is wide.
DEFAULT_FOCAL_EQUIVALENT_MM = 26.0
FILM_DIAGONAL_MM = 43.27
U_FOCAL_UNKNOWN = 0.20
U_FOCAL_EXIF = 0.03  # rounding to whole mm at 26 mm is 2 %, breathing at close focus adds
U_CENTRE_REL = 0.01  # principal point off the middle, of the long side, as cameras are built
U_CENTRE_UNKNOWN_REL = 0.05  # the picture may have been cropped
# Lens distortion that a phone leaves after its own correction bends a reference
# by about this share of its size: assumed, no source.
DISTORTION_SHARE = 2e-4
STEPS = 25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plane:
    """A plane seen by a camera.

    Attributes:
        mm_from_px: ``(3, 3)`` homography from pixels to mm on the plane.
        mm_per_px: Scale at the reference's centre (root of the local area scale).
        u_fit_rel: Relative standard uncertainty of ``mm_per_px`` from the points alone.
        tilt_deg: Angle between the camera's axis and the plane's normal.
        residual_px: RMS of the points' misfit.
        camera_mm: ``(x, y, z)`` of the camera over the plane, z positive.
        u_camera_rel: Relative standard uncertainty of the camera's height.
        focal_px: Adjusted focal length.
        u_away_rel_per_mm: Growth of the relative scale uncertainty with the distance
            from the reference's centre.
        cost: Weighted squared misfit, observations of the lens included.
    """

    mm_from_px: FloatArray
    mm_per_px: float
    u_fit_rel: float
    tilt_deg: float
    residual_px: float
    camera_mm: tuple[float, float, float]
    u_camera_rel: float
    focal_px: float
    u_away_rel_per_mm: float
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """What is known of the lens before looking at the reference."""

    focal_px: float
    u_log_focal: float
    centre_px: tuple[float, float]
    u_centre_px: float


def lens_of(photo: Photo) -> Lens:
    """Return the lens as the metadata tells it, or that of a usual phone with wide doubt."""
    long_side = max(photo.width_px, photo.height_px)
    centre = ((photo.width_px - 1) / 2, (photo.height_px - 1) / 2)
    if photo.focal_px is not None:
        return Lens(
            focal_px=photo.focal_px,
            u_log_focal=U_FOCAL_EXIF,
            centre_px=centre,
            u_centre_px=U_CENTRE_REL * long_side,
        )
    diagonal = float(np.hypot(photo.width_px, photo.height_px))
    return Lens(
        focal_px=DEFAULT_FOCAL_EQUIVALENT_MM / FILM_DIAGONAL_MM * diagonal,
        u_log_focal=U_FOCAL_UNKNOWN,
        centre_px=centre,
        u_centre_px=U_CENTRE_UNKNOWN_REL * long_side,
    )


def fit_plane(points_px: FloatArray, points_mm: FloatArray, *, u_px: float, lens: Lens) -> Plane:
    """Find the plane on which ``points_mm`` lie from where the photo shows them.

    Args:
        points_px: ``(n, 2)``, n at least 4, no three on a line.
        points_mm: ``(n, 2)``, the same points on the plane.
        u_px: Standard uncertainty of each coordinate in ``points_px``.
        lens: Focal length and principal point with their doubts.

    Returns:
        The plane of the better of the two poses a flat target allows.

    References:
        JCGM 100:2008, clause 5.1.2 and annex H.3 (least squares) for the uncertainties;
        Collins & Bartoli 2014 for the two poses (as OpenCV's IPPE solver, from memory).
    """
    extent = float(np.ptp(points_px, axis=0).max())
    u_point = float(np.hypot(u_px, DISTORTION_SHARE * extent))
    problem = _Problem(points_px, points_mm, u_point, lens)
    fits = [problem.solve(start) for start in problem.starts()]
    params, cost = min(fits, key=lambda fit: fit[1])
    return _plane_of(problem, params, cost)


class _Problem:
    """The adjustment: nine unknowns (rotation, shift, log focal, principal point)."""

    def __init__(
        self, points_px: FloatArray, points_mm: FloatArray, u_px: float, lens: Lens
    ) -> None:
        self.px = np.asarray(points_px, float)
        self.centre_mm = np.mean(points_mm, axis=0)
        self.mm = np.asarray(points_mm, float) - self.centre_mm
        self.size_mm = float(np.abs(self.mm).max())
        self.u_px = u_px
        self.lens = lens

    def starts(self) -> list[FloatArray]:
        """Return both poses that a flat target allows under the lens as told."""
        lens = self.lens
        camera = np.array(
            [
                [lens.focal_px, 0, lens.centre_px[0]],
                [0, lens.focal_px, lens.centre_px[1]],
                [0, 0, 1],
            ]
        )
        target = np.column_stack([self.mm, np.zeros(len(self.mm))])
        try:
            _, turns, shifts, _ = cv2.solvePnPGeneric(
                target, self.px.reshape(-1, 1, 2), camera, None, flags=cv2.SOLVEPNP_IPPE
            )
        except cv2.error as fault:
            raise np.linalg.LinAlgError("points do not span a plane") from fault
        rest = [np.log(lens.focal_px), *lens.centre_px]
        return [
            np.concatenate([np.ravel(turn), np.ravel(shift), rest])
            for turn, shift in zip(turns, shifts, strict=True)
        ]

    def homography(self, params: FloatArray) -> FloatArray:
        """Pixels from centred mm."""
        turn = cv2.Rodrigues(params[:3])[0]
        focal = np.exp(params[6])
        camera = np.array([[focal, 0, params[7]], [0, focal, params[8]], [0, 0, 1]])
        pixels: FloatArray = camera @ np.column_stack([turn[:, 0], turn[:, 1], params[3:6]])
        return pixels

    def misfit_px(self, params: FloatArray) -> FloatArray:
        mapped = _apply(self.homography(params), self.mm)
        misfit: FloatArray = mapped - self.px
        return misfit

    def residuals(self, params: FloatArray) -> FloatArray:
        lens = self.lens
        prior = np.array(
            [
                (params[6] - np.log(lens.focal_px)) / lens.u_log_focal,
                (params[7] - lens.centre_px[0]) / lens.u_centre_px,
                (params[8] - lens.centre_px[1]) / lens.u_centre_px,
            ]
        )
        return np.concatenate([self.misfit_px(params).ravel() / self.u_px, prior])

    def jacobian(self, params: FloatArray, at: FloatArray) -> FloatArray:
        steps = np.array([1e-6] * 3 + [1e-6 * abs(params[5])] * 3 + [1e-6] + [1e-3] * 2)
        columns = [
            (self.residuals(params + step * unit) - at) / step
            for step, unit in zip(steps, np.eye(9), strict=True)
        ]
        return np.column_stack(columns)

    def solve(self, start: FloatArray) -> tuple[FloatArray, float]:
        """Levenberg and Marquardt from one start; returns parameters and cost."""
        params, damping = start, 1e-3
        at = self.residuals(params)
        for _ in range(STEPS):
            jacobian = self.jacobian(params, at)
            normal = jacobian.T @ jacobian
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -jacobian.T @ at)
            trial = self.residuals(params + step)
            gain = float(at @ at - trial @ trial)
            if gain < 0:
                damping *= 10
                continue
            params, at, damping = params + step, trial, damping / 10
            if gain < 1e-9 * (1 + float(at @ at)):
                break
        return params, float(at @ at)

    def height_mm(self, params: FloatArray) -> float:
        turn = cv2.Rodrigues(params[:3])[0]
        return abs(float((turn.T @ params[3:6])[2]))

    def log_scale(self, params: FloatArray, where_mm: FloatArray) -> float:
        """Log of mm per pixel at a point of the plane."""
        pixels = self.homography(params)
        return float(-0.5 * np.log(abs(_area_scale(pixels, where_mm))))


def _apply(matrix: FloatArray, points: FloatArray) -> FloatArray:
    mapped = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    result: FloatArray = mapped[:, :2] / mapped[:, 2:]
    return result


def _area_scale(matrix: FloatArray, point: FloatArray) -> float:
    """Determinant of the map's derivative at a point."""
    weight = float(matrix[2] @ [point[0], point[1], 1.0])
    return float(np.linalg.det(matrix)) / weight**3


def _plane_of(problem: _Problem, params: FloatArray, cost: float) -> Plane:
    at = problem.residuals(params)
    jacobian = problem.jacobian(params, at)
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    origin = np.zeros(2)

    def gradient_of_scale(where: FloatArray) -> FloatArray:
        return _gradient(lambda p: problem.log_scale(p, where), params)

    at_centre = gradient_of_scale(origin)
    # One reference size away in the worse of two directions: how fast the doubt grows.
    reach = problem.size_mm
    away = max(
        _spread(gradient_of_scale(reach * unit) - at_centre, covariance) for unit in np.eye(2)
    )
    height_rel = _gradient(lambda p: np.log(problem.height_mm(p)), params)
    turn = cv2.Rodrigues(params[:3])[0]
    camera = -turn.T @ params[3:6]
    shift = np.array([[1, 0, -problem.centre_mm[0]], [0, 1, -problem.centre_mm[1]], [0, 0, 1]])
    px_from_mm = problem.homography(params) @ shift
    mm_from_px = np.linalg.inv(px_from_mm)
    return Plane(
        mm_from_px=mm_from_px / mm_from_px[2, 2],
        mm_per_px=float(np.exp(problem.log_scale(params, origin))),
        u_fit_rel=_spread(at_centre, covariance),
        tilt_deg=float(np.degrees(np.arccos(np.clip(abs(turn[2, 2]), 0, 1)))),
        residual_px=float(np.sqrt(np.mean(np.sum(problem.misfit_px(params) ** 2, axis=1)))),
        camera_mm=(
            float(camera[0] + problem.centre_mm[0]),
            float(camera[1] + problem.centre_mm[1]),
            abs(float(camera[2])),
        ),
        u_camera_rel=_spread(height_rel, covariance),
        focal_px=float(np.exp(params[6])),
        u_away_rel_per_mm=away / reach,
        cost=cost,
    )


def _gradient(function: Callable[[FloatArray], float], params: FloatArray) -> FloatArray:
    steps = np.array([1e-6] * 3 + [1e-6 * abs(params[5])] * 3 + [1e-6] + [1e-3] * 2)
    return np.array(
        [
            (function(params + step * unit) - function(params - step * unit)) / (2 * step)
            for step, unit in zip(steps, np.eye(9), strict=True)
        ]
    )


def _spread(gradient: FloatArray, covariance: FloatArray) -> float:
    return float(np.sqrt(max(float(gradient @ covariance @ gradient), 0.0)))
