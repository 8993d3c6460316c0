"""Ellipses: what a round thing looks like from an angle, fitted to edge points.

Pure geometry, no picture. The long axis of a circle's image is its local scale
within 0.03 % (0.08 % very near and at 30 degrees), the short one shrinks with
the cosine of the tilt; so the two are kept apart here.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, cos, degrees, isfinite, pi, radians, sin, sqrt

import numpy as np

from rules.errors import ContractError
from vision.types import FloatArray

# Tukey's biweight leaves 95 % of the efficiency of least squares on normal
# residuals at this many standard deviations (Huber & Ronchetti 2009, table 4.2).
TUKEY_SIGMAS = 4.685
MAD_TO_SIGMA = 1.4826
FIT_ROUNDS = 12
CONVERGED_PX = 1e-4
MIN_POINTS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Ellipse:
    """One ellipse on the photo.

    Attributes:
        centre_px: ``(x, y)`` of its centre.
        major_px: Long axis, whole length.
        minor_px: Short axis, whole length.
        angle_deg: Direction of the long axis from x towards y, -90 to 90.
    """

    centre_px: tuple[float, float]
    major_px: float
    minor_px: float
    angle_deg: float

    def __post_init__(self) -> None:
        if not (isfinite(self.major_px) and 0 < self.minor_px <= self.major_px):
            raise ContractError(f"axes {self.major_px} and {self.minor_px} px make no ellipse")

    @property
    def axis_ratio(self) -> float:
        """Short over long axis, 0 to 1."""
        return self.minor_px / self.major_px

    def points(self, n: int) -> FloatArray:
        """``(n, 2)`` points around the ellipse, evenly in its own angle."""
        t = np.linspace(0.0, 2 * pi, n, endpoint=False)
        return self.at(t)

    def at(self, t: FloatArray, *, grow: float = 1.0) -> FloatArray:
        """Points at eccentric angles ``t`` of the ellipse grown by a factor."""
        c, s = cos(radians(self.angle_deg)), sin(radians(self.angle_deg))
        u = 0.5 * grow * self.major_px * np.cos(t)
        v = 0.5 * grow * self.minor_px * np.sin(t)
        return np.column_stack(
            [self.centre_px[0] + c * u - s * v, self.centre_px[1] + s * u + c * v]
        )

    def normals(self, t: FloatArray) -> FloatArray:
        """``(n, 2)`` unit vectors pointing outwards at eccentric angles ``t``."""
        c, s = cos(radians(self.angle_deg)), sin(radians(self.angle_deg))
        u, v = np.cos(t) / self.major_px, np.sin(t) / self.minor_px
        length = np.hypot(u, v)
        u, v = u / length, v / length
        return np.column_stack([c * u - s * v, s * u + c * v])

    def distance_px(self, points_px: FloatArray) -> FloatArray:
        """Signed distance of points from the ellipse, outside positive (first order)."""
        return _signed_distance(_parameters(self), points_px)

    def half_extent_px(self) -> tuple[float, float]:
        """Half width and half height of the upright box around the ellipse."""
        c, s = cos(radians(self.angle_deg)), sin(radians(self.angle_deg))
        a, b = 0.5 * self.major_px, 0.5 * self.minor_px
        return sqrt((a * c) ** 2 + (b * s) ** 2), sqrt((a * s) ** 2 + (b * c) ** 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class EllipseFit:
    """An ellipse, how well the points lie on it and how sure its axes are.

    Attributes:
        ellipse: The ellipse itself.
        residual_px: RMS distance of the points that were kept.
        kept: Share of the points that were kept.
        u_major_px: Standard uncertainty of the long axis from the scatter alone.
        u_minor_px: The same of the short axis.
    """

    ellipse: Ellipse
    residual_px: float
    kept: float
    u_major_px: float
    u_minor_px: float


def _parameters(ellipse: Ellipse) -> FloatArray:
    """Centre, mean radius and the two parts of the stretch ``(x, y, r, p, q)``.

    The stretch ``(p, q)`` is half the difference of the half axes times the
    cosine and sine of twice the angle: smooth through the circle, where an angle is not.
    """
    r = 0.25 * (ellipse.major_px + ellipse.minor_px)
    e = 0.25 * (ellipse.major_px - ellipse.minor_px)
    twice = 2 * radians(ellipse.angle_deg)
    return np.array([*ellipse.centre_px, r, e * cos(twice), e * sin(twice)])


def _ellipse(parameters: FloatArray) -> Ellipse:
    x, y, r, p, q = (float(v) for v in parameters)
    e = sqrt(p * p + q * q)
    return Ellipse(
        centre_px=(x, y),
        major_px=2 * (r + e),
        minor_px=2 * (r - e),
        angle_deg=0.5 * degrees(atan2(q, p)),
    )


def _signed_distance(parameters: FloatArray, points_px: FloatArray) -> FloatArray:
    """First-order (Sampson 1982) distance of points from the ellipse of the parameters."""
    x, y, r, p, q = parameters
    e = sqrt(p * p + q * q)
    a, b = r + e, max(r - e, 1e-6)
    half = 0.5 * atan2(q, p)
    c, s = cos(half), sin(half)
    dx, dy = points_px[:, 0] - x, points_px[:, 1] - y
    u, v = (c * dx + s * dy) / a, (-s * dx + c * dy) / b
    rho2 = u * u + v * v
    slope = np.sqrt((u / a) ** 2 + (v / b) ** 2)
    distance: FloatArray = (rho2 - 1) / np.maximum(2 * slope, 1e-12)
    return distance


def fit_ellipse(
    points_px: FloatArray,
    *,
    start: Ellipse,
    sigma_floor_px: float = 0.05,
    weights: FloatArray | None = None,
) -> EllipseFit | None:
    """Fit an ellipse to points of which some may be wrong; None where it fails.

    Gauss-Newton on the first-order distance with Tukey's biweight, so that
    arcs of shadow or of a neighbour do not pull; the spread is re-estimated by
    the median absolute deviation each round.

    Args:
        points_px: ``(n, 2)`` edge points, n at least 8.
        start: Where to start, within a few percent.
        sigma_floor_px: Spread below which no point is called wrong.
        weights: ``(n,)`` trust in each point, or None for equal trust.
    """
    if len(points_px) < MIN_POINTS:
        return None
    trust = np.ones(len(points_px)) if weights is None else weights
    theta = _parameters(start)
    kept = trust.copy()
    for _ in range(FIT_ROUNDS):
        distance = _signed_distance(theta, points_px)
        sigma = max(sigma_floor_px, MAD_TO_SIGMA * float(np.median(np.abs(distance))))
        t = distance / (TUKEY_SIGMAS * sigma)
        kept = trust * np.where(np.abs(t) < 1, (1 - t * t) ** 2, 0.0)
        jacobian = _jacobian(theta, points_px, distance)
        weighted = jacobian * kept[:, None]
        normal = weighted.T @ jacobian
        if np.linalg.cond(normal) > 1e12:
            return None
        step = np.linalg.solve(normal, weighted.T @ distance)
        theta = theta - step
        if not np.all(np.isfinite(theta)) or theta[2] <= 2 * np.hypot(theta[3], theta[4]):
            return None
        if float(np.abs(step).max()) < CONVERGED_PX:
            break
    distance = _signed_distance(theta, points_px)
    use = kept > 0
    if int(use.sum()) < MIN_POINTS:
        return None
    residual = float(np.sqrt(np.average(distance[use] ** 2, weights=kept[use])))
    covariance = np.linalg.inv(normal) * residual**2
    e = float(np.hypot(theta[3], theta[4]))
    along = np.array([0.0, 0.0]) if e < 1e-9 else theta[3:5] / e
    major = 2 * np.array([0, 0, 1, along[0], along[1]])
    minor = 2 * np.array([0, 0, 1, -along[0], -along[1]])
    return EllipseFit(
        ellipse=_ellipse(theta),
        residual_px=residual,
        kept=float(use.mean()),
        u_major_px=float(np.sqrt(max(major @ covariance @ major, 0.0))),
        u_minor_px=float(np.sqrt(max(minor @ covariance @ minor, 0.0))),
    )


def _jacobian(theta: FloatArray, points_px: FloatArray, distance: FloatArray) -> FloatArray:
    """Forward differences: five smooth parameters, all in pixels."""
    step = 1e-4
    columns = []
    for k in range(5):
        moved = theta.copy()
        moved[k] += step
        columns.append((_signed_distance(moved, points_px) - distance) / step)
    return np.column_stack(columns)
