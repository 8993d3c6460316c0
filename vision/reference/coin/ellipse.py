"""Ellipses: what a round thing looks like from an angle.

Pure geometry, no picture. The long axis of a circle's image is its local scale
within 0.03 % (0.08 % very near and at 30 degrees), the short one shrinks with
the cosine of the tilt; so the two are kept apart here.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, hypot, isfinite, pi, radians, sin, sqrt

import numpy as np

from rules.errors import ContractError
from vision.types import FloatArray


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

    @property
    def area_px(self) -> float:
        """Photo pixels it covers."""
        return pi / 4 * self.major_px * self.minor_px

    def points(self, n: int) -> FloatArray:
        """``(n, 2)`` points around the ellipse, evenly in its own angle."""
        t = np.linspace(0.0, 2 * pi, n, endpoint=False)
        c, s = cos(radians(self.angle_deg)), sin(radians(self.angle_deg))
        u, v = 0.5 * self.major_px * np.cos(t), 0.5 * self.minor_px * np.sin(t)
        return np.column_stack(
            [self.centre_px[0] + c * u - s * v, self.centre_px[1] + s * u + c * v]
        )

    def radius_of(self, x: float, y: float) -> float:
        """How far out a point lies, 0 in the middle and 1 on the ellipse."""
        c, s = cos(radians(self.angle_deg)), sin(radians(self.angle_deg))
        dx, dy = x - self.centre_px[0], y - self.centre_px[1]
        return 2 * hypot((c * dx + s * dy) / self.major_px, (c * dy - s * dx) / self.minor_px)

    def half_extent_px(self) -> tuple[float, float]:
        """Half width and half height of the upright box around the ellipse."""
        c, s = cos(radians(self.angle_deg)), sin(radians(self.angle_deg))
        a, b = 0.5 * self.major_px, 0.5 * self.minor_px
        return sqrt((a * c) ** 2 + (b * s) ** 2), sqrt((a * s) ** 2 + (b * c) ** 2)
