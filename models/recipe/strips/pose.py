"""How a rendered photo's camera looked at the table, and how wide a cylinder is seen there."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import cos, radians, sin
from typing import Any

import cv2
import numpy as np

from vision.reference.coin.kinds import coin
from vision.reference.references import CARD_HEIGHT_MM, CARD_WIDTH_MM
from vision.types import FloatArray

WAYS = np.radians(np.arange(0, 360, 3))
"""Directions of the camera's tilt that are tried."""

SHEET_MM = (297.0, 210.0)
"""The printed sheet is laid on A4 (ISO 216)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """A pinhole over a table.

    Attributes:
        focal_px: Focal length.
        centre_px: ``(2,)`` principal point.
        height_mm: Of the camera over the table.
        down: ``(3,)`` unit vector to the table in the camera's axes (right, down, forward).
    """

    focal_px: float
    centre_px: FloatArray
    height_mm: float
    down: FloatArray

    def on_plane(self, points_px: FloatArray, *, z_mm: float) -> FloatArray:
        """Return ``(n, 3)`` points in the camera's axes at this height over the table."""
        rays = np.column_stack(
            [(points_px - self.centre_px) / self.focal_px, np.ones(len(points_px))]
        )
        result: FloatArray = rays * ((self.height_mm - z_mm) / (rays @ self.down))[:, None]
        return result

    def px_per_mm_across(
        self, points_px: FloatArray, tangents: FloatArray, *, z_mm: float
    ) -> FloatArray:
        """Return how many pixels wide a cylinder is seen for each mm of its diameter.

        Args:
            points_px: ``(n, 2)`` on its axis.
            tangents: ``(n, 2)`` along it on the photo.
            z_mm: Height of the axis.
        """
        at = self.on_plane(points_px, z_mm=z_mm)
        along = self.on_plane(points_px + tangents, z_mm=z_mm) - at
        across = np.cross(along, at)
        across /= np.linalg.norm(across, axis=1, keepdims=True)
        ends = [at + side * across for side in (-0.5, 0.5)]
        seen = self.focal_px * (ends[1][:, :2] / ends[1][:, 2:] - ends[0][:, :2] / ends[0][:, 2:])
        normals = np.column_stack([tangents[:, 1], -tangents[:, 0]])
        return np.asarray(np.abs((seen * normals).sum(axis=1)))


def pose_of(truth: dict[str, Any]) -> Pose | None:
    """Return the camera of a rendered photo, None where it shows no reference.

    The truth tells everything but the way the camera leans; that is the one under which
    the references on the table come out at their own size.
    """
    tilt = radians(truth["tilt_deg"])
    centre = np.array(truth["principal_point_px"], float)
    best: tuple[float, Pose] | None = None
    for way in WAYS:
        down = np.array([sin(tilt) * cos(way), sin(tilt) * sin(way), cos(tilt)])
        pose = Pose(
            focal_px=truth["focal_px"],
            centre_px=centre,
            height_mm=truth["camera_height_mm"],
            down=down,
        )
        errors = [_size_error(pose, reference) for reference in truth["references"]]
        if errors and (best is None or max(errors) < best[0]):
            best = (max(errors), pose)
    return best[1] if best is not None else None


def _size_error(pose: Pose, reference: dict[str, Any]) -> float:
    """How far the sides of a reference are off under a pose, relative."""
    at = pose.on_plane(np.array(reference["outline_px"]), z_mm=reference["face_height_mm"])
    first = np.cross(pose.down, [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first)
    flat = np.column_stack([at @ first, at @ np.cross(pose.down, first)])
    flat = (flat - flat.mean(axis=0)).astype(np.float32)
    sides = sorted(cv2.minAreaRect(flat[:, None])[1], reverse=True)
    true = _sides_mm(reference["key"])
    return max(abs(sides[k] / true[k] - 1) for k in (0, 1))


@cache
def _sides_mm(key: str) -> tuple[float, float]:
    if key in ("card", "sheet"):
        return (CARD_WIDTH_MM, CARD_HEIGHT_MM) if key == "card" else SHEET_MM
    if key.startswith("marker:"):
        side = float(key.removeprefix("marker:"))
        return side, side
    diameter = coin(key).diameter_mm
    return diameter, diameter
