"""From known points on a flat reference to the plane, the camera over it, and their doubt.

One small adjustment finds the pose, the focal length and the principal point
together; what the photo's metadata says of the lens enters as an observation
with its own uncertainty, so a tilted reference may correct it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from vision.types import FloatArray, Photo

# Main cameras of phones are 24 to 28 mm (35 mm equivalent), some 48 to 52 mm by cropping:
# common practice, no source. A twice enlarged photo is no rare slip of a wide bell curve but
# a second kind of photo; the share of it is assumed.
DEFAULT_FOCAL_EQUIVALENT_MM = 26.0
ENLARGED_FOCAL_EQUIVALENT_MM = 50.0
ENLARGED_SHARE = 0.15
U_FOCAL_USUAL, U_FOCAL_ENLARGED = 0.10, 0.08  # 24 to 28 and 48 to 52 mm, and some room
FILM_DIAGONAL_MM = 43.27
# Root mean square away from 26 mm, both kinds together (JCGM 101:2008, 5.2).
U_FOCAL_UNKNOWN = float(
    np.sqrt(
        (1 - ENLARGED_SHARE) * U_FOCAL_USUAL**2
        + ENLARGED_SHARE
        * (
            U_FOCAL_ENLARGED**2
            + np.log(ENLARGED_FOCAL_EQUIVALENT_MM / DEFAULT_FOCAL_EQUIVALENT_MM) ** 2
        )
    )
)
U_FOCAL_EXIF = 0.03  # rounding to whole mm at 26 mm is 2 %, breathing at close focus adds
U_CENTRE_REL = 0.01  # principal point off the middle, of the long side, as cameras are built
U_CENTRE_UNKNOWN_REL = 0.05  # the picture may have been cropped
# Lens distortion that a phone leaves after its own correction bends a reference
# by about this share of its size: assumed, no source.
DISTORTION_SHARE = 2e-4
STEPS = 25


UNIT_SQUARE = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
"""Corners, clockwise from the upper left."""


def mapped(points: FloatArray, homography: FloatArray) -> FloatArray:
    """Return ``(..., 2)`` points through a ``(3, 3)`` homography."""
    flat = np.asarray(points, np.float64).reshape(-1, 1, 2)
    there: FloatArray = cv2.perspectiveTransform(flat, homography).reshape(points.shape)
    return there


def from_corners(here: FloatArray, there: FloatArray) -> FloatArray:
    """Return the homography that takes four corners to four others."""
    matrix: FloatArray = cv2.getPerspectiveTransform(
        here.astype(np.float32), there.astype(np.float32)
    )
    return matrix


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
    """What is known of the lens before looking at the reference.

    Attributes:
        focal_px: Focal length, the likeliest where there are several kinds.
        u_log_focal: Its relative standard uncertainty, all kinds together.
        centre_px: Principal point.
        u_centre_px: Standard uncertainty of its coordinates.
        kinds: ``(focal_px, u_log_focal, share)`` of each kind of lens it may be; empty
            where there is but one.
    """

    focal_px: float
    u_log_focal: float
    centre_px: tuple[float, float]
    u_centre_px: float
    kinds: tuple[tuple[float, float, float], ...] = ()

    @property
    def any_kind(self) -> Lens:
        """One bell curve as wide as all kinds together: for a first look."""
        return replace(self, kinds=())

    def each(self) -> list[tuple[Lens, float]]:
        """Each kind as a lens of its own, and its share."""
        if not self.kinds:
            return [(self, 1.0)]
        return [
            (replace(self, focal_px=focal, u_log_focal=u, kinds=()), share)
            for focal, u, share in self.kinds
        ]


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
    px_per_film_mm = float(np.hypot(photo.width_px, photo.height_px)) / FILM_DIAGONAL_MM
    usual, enlarged = (
        mm * px_per_film_mm for mm in (DEFAULT_FOCAL_EQUIVALENT_MM, ENLARGED_FOCAL_EQUIVALENT_MM)
    )
    return Lens(
        focal_px=usual,
        u_log_focal=U_FOCAL_UNKNOWN,
        centre_px=centre,
        u_centre_px=U_CENTRE_UNKNOWN_REL * long_side,
        kinds=(
            (usual, U_FOCAL_USUAL, 1 - ENLARGED_SHARE),
            (enlarged, U_FOCAL_ENLARGED, ENLARGED_SHARE),
        ),
    )


def fit_plane(points_px: FloatArray, points_mm: FloatArray, *, u_px: float, lens: Lens) -> Plane:
    """Find the plane on which ``points_mm`` lie from where the photo shows them.

    Args:
        points_px: ``(n, 2)``, n at least 4, no three on a line.
        points_mm: ``(n, 2)``, the same points on the plane.
        u_px: Standard uncertainty of each coordinate in ``points_px``.
        lens: Focal length and principal point with their doubts.

    Returns:
        The plane of the better of the two poses a flat target allows. Where the lens may
        be of several kinds, that of the likeliest; its doubts hold the others, each with
        its own plane and weight.

    Raises:
        numpy.linalg.LinAlgError: The points do not span a plane.

    References:
        JCGM 100:2008, clause 5.1.2, for the uncertainties of what follows from the
        adjustment; the two poses by OpenCV's IPPE solver; the weights by the
        shares of the kinds and the likelihood of each one's best fit.
    """
    if _thin(points_mm) or _thin(points_px):
        raise np.linalg.LinAlgError("points do not span a plane")
    extent = float(np.ptp(points_px, axis=0).max())
    u_point = float(np.hypot(u_px, DISTORTION_SHARE * extent))
    fits = []
    for kind, share in lens.each():
        problem = _Problem(points_px, points_mm, u_point, kind)
        solved = (problem.solve(start) for start in problem.starts())
        pose, cost = min(solved, key=lambda fit: fit[1])
        fits.append(_Fit(problem=problem, pose=pose, cost=cost, share=share))
    return _plane_of(sorted(fits, key=lambda fit: -fit.log_weight))


def _thin(points: FloatArray) -> bool:
    """Whether the points lie nearly on one line."""
    long, short = np.linalg.svd(points - np.mean(points, axis=0), compute_uv=False)
    return bool(short < 0.02 * long)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pose:
    """The nine unknowns: rotation, shift, log focal length, principal point."""

    turn: FloatArray
    shift: FloatArray
    log_focal: float
    centre: FloatArray

    def moved(self, step: FloatArray) -> _Pose:
        """Apply a step: three small turns, three shifts, log focal, two of the centre."""
        return _Pose(
            turn=cv2.Rodrigues(step[:3])[0] @ self.turn,
            shift=self.shift + step[3:6],
            log_focal=self.log_focal + float(step[6]),
            centre=self.centre + step[7:],
        )

    @property
    def px_from_mm(self) -> FloatArray:
        focal = np.exp(self.log_focal)
        lens = np.array([[focal, 0, self.centre[0]], [0, focal, self.centre[1]], [0, 0, 1]])
        matrix: FloatArray = lens @ np.column_stack([self.turn[:, 0], self.turn[:, 1], self.shift])
        return matrix

    @property
    def camera(self) -> FloatArray:
        """The camera in the plane's frame."""
        place: FloatArray = -self.turn.T @ self.shift
        return place


class _Problem:
    """The adjustment: what was seen, what is known of the lens, and how well."""

    def __init__(
        self, points_px: FloatArray, points_mm: FloatArray, u_px: float, lens: Lens
    ) -> None:
        self.px = np.asarray(points_px, float)
        self.centre_mm = np.mean(points_mm, axis=0)
        self.mm = np.column_stack([points_mm - self.centre_mm, np.zeros(len(points_mm))])
        self.size_mm = float(np.abs(self.mm).max())
        self.u_px = u_px
        self.lens = lens
        self.prior_weight = 1 / np.array([lens.u_log_focal, lens.u_centre_px, lens.u_centre_px])

    def starts(self) -> list[_Pose]:
        """Return both poses that a flat target allows under the lens as told."""
        lens = self.lens
        focal, (x, y) = lens.focal_px, lens.centre_px
        camera = np.array([[focal, 0, x], [0, focal, y], [0, 0, 1]])
        try:
            _, turns, shifts, _ = cv2.solvePnPGeneric(
                self.mm, self.px.reshape(-1, 1, 2), camera, None, flags=cv2.SOLVEPNP_IPPE
            )
        except cv2.error as fault:
            raise np.linalg.LinAlgError("points do not span a plane") from fault
        return [
            _Pose(
                turn=cv2.Rodrigues(turn)[0],
                shift=np.ravel(shift),
                log_focal=float(np.log(focal)),
                centre=np.array([x, y]),
            )
            for turn, shift in zip(turns, shifts, strict=True)
        ]

    def residuals(self, pose: _Pose) -> tuple[FloatArray, FloatArray]:
        """Return the weighted residuals and their derivatives by the nine unknowns."""
        turned = self.mm @ pose.turn.T
        x, y, z = (turned + pose.shift).T
        focal = np.exp(pose.log_focal)
        seen = np.column_stack([x / z, y / z]) * focal
        misfit = (seen + pose.centre - self.px) / self.u_px
        lens = self.lens
        known = np.array([np.log(lens.focal_px), *lens.centre_px])
        prior = (np.array([pose.log_focal, *pose.centre]) - known) * self.prior_weight
        slope = np.zeros((misfit.size + 3, 9))
        by = slope[:-3].reshape(-1, 2, 9)  # point, x or y, unknown
        by[:, 0, 3] = by[:, 1, 4] = focal / z
        by[:, :, 5] = -seen / z[:, None]
        u, v, w = turned.T[:, :, None]
        by[:, :, 0] = v * by[:, :, 5] - w * by[:, :, 4]
        by[:, :, 1] = w * by[:, :, 3] - u * by[:, :, 5]
        by[:, :, 2] = u * by[:, :, 4] - v * by[:, :, 3]
        by[:, :, 6] = seen
        by[:, 0, 7] = by[:, 1, 8] = 1.0
        by /= self.u_px
        slope[-3:, 6:] = np.diag(self.prior_weight)
        return np.concatenate([misfit.ravel(), prior]), slope

    def solve(self, pose: _Pose) -> tuple[_Pose, float]:
        """Levenberg and Marquardt from one start; returns the pose and its cost."""
        damping = 1e-3
        at, slope = self.residuals(pose)
        cost = float(at @ at)
        for _ in range(STEPS):
            normal = slope.T @ slope
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -slope.T @ at)
            trial = pose.moved(step)
            trial_at, trial_slope = self.residuals(trial)
            gain = cost - float(trial_at @ trial_at)
            settled = abs(gain) < 1e-7 * (1 + cost)
            if gain >= 0:
                pose, at, slope, cost = trial, trial_at, trial_slope, cost - gain
            if settled:
                break
            damping *= 0.1 if gain >= 0 else 10
        return pose, cost


def _log_scale(pose: _Pose, where_mm: FloatArray) -> float:
    """Log of mm per pixel at a point of the plane, the root of the local area scale."""
    matrix = pose.px_from_mm
    depth = float(matrix[2] @ np.array([where_mm[0], where_mm[1], 1.0]))
    return float(-0.5 * np.log(abs(np.linalg.det(matrix) / depth**3)))


class _Fit:
    """One kind of lens with its best pose, and how likely that makes it."""

    def __init__(self, *, problem: _Problem, pose: _Pose, cost: float, share: float) -> None:
        self.problem, self.pose, self.cost = problem, pose, cost
        self.at, slope = problem.residuals(pose)
        self.covariance = np.linalg.inv(slope.T @ slope)
        # Where the photo tells nothing of the lens the shares stand as they are. How wide the
        # fit's other unknowns are counts for nothing: a level view leaves the tilt the more
        # open the longer the lens, which is no sign of a long lens.
        self.log_weight = float(np.log(share)) - cost / 2


def _plane_of(fits: list[_Fit]) -> Plane:
    """The plane of the first fit; the others count toward its doubts by their weights."""
    best = fits[0]
    problem, pose = best.problem, best.pose
    weights = np.exp([fit.log_weight - best.log_weight for fit in fits])
    weights = weights / weights.sum()

    def spread(quantity: Callable[[_Pose], float]) -> float:
        """Root mean square away from the best fit's value, over all kinds."""
        value = quantity(pose)
        variances = []
        for fit in fits:
            slope = _gradient(quantity, fit.pose)
            own = max(float(slope @ fit.covariance @ slope), 0.0)
            variances.append(own + (quantity(fit.pose) - value) ** 2)
        return float(np.sqrt(weights @ variances))

    def growth(where_mm: FloatArray) -> float:
        """Doubt of how much larger the log scale is there than at the reference's centre."""
        return spread(lambda p: _log_scale(p, where_mm) - _log_scale(p, origin))

    origin = np.zeros(2)
    # One reference size away in the worse of two directions: how fast the doubt grows.
    reach = problem.size_mm
    away = max(growth(reach * unit) for unit in np.eye(2))
    shift = np.array([[1, 0, -problem.centre_mm[0]], [0, 1, -problem.centre_mm[1]], [0, 0, 1]])
    mm_from_px = np.linalg.inv(pose.px_from_mm @ shift)
    misfit = best.at[:-3].reshape(-1, 2) * problem.u_px
    camera = pose.camera
    return Plane(
        mm_from_px=mm_from_px / mm_from_px[2, 2],
        mm_per_px=float(np.exp(_log_scale(pose, origin))),
        u_fit_rel=spread(lambda p: _log_scale(p, origin)),
        tilt_deg=float(np.degrees(np.arccos(np.clip(abs(pose.turn[2, 2]), 0, 1)))),
        residual_px=float(np.sqrt(np.mean(np.sum(misfit**2, axis=1)))),
        camera_mm=(
            float(camera[0] + problem.centre_mm[0]),
            float(camera[1] + problem.centre_mm[1]),
            abs(float(camera[2])),
        ),
        u_camera_rel=spread(lambda p: float(np.log(abs(p.camera[2])))),
        focal_px=float(np.exp(pose.log_focal)),
        u_away_rel_per_mm=away / reach,
        cost=best.cost,
    )


def _gradient(function: Callable[[_Pose], float], pose: _Pose) -> FloatArray:
    """Derivatives by the nine unknowns, by central differences."""
    sizes = np.array([1e-6] * 3 + [1e-6 * abs(pose.shift[2])] * 3 + [1e-6] + [1e-3] * 2)
    return np.array(
        [
            (function(pose.moved(size * unit)) - function(pose.moved(-size * unit))) / (2 * size)
            for size, unit in zip(sizes, np.eye(9), strict=True)
        ]
    )
