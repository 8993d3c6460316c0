"""The parts of a width's uncertainty, against their definitions and tables."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import t as student

from rules.findings import Form
from tests.vision.drawn_wire import Look, apparent_edges_mm, draw
from vision.pieces.centreline import CentreLine
from vision.types import Scale
from vision.width.budget import coverage_factor, diameters_mm, independent
from vision.width.diameter import measure_diameter
from vision.width.edges import Edges


def some_edges() -> Edges:
    line = CentreLine(
        points_px=np.zeros((3, 2)),
        tangents=np.tile([1.0, 0.0], (3, 1)),
        radius_px=8.0,
        radii_px=np.full(3, 8.0),
        step_px=1.0,
    )
    return Edges(
        left_px=np.zeros((3, 2)),
        right_px=np.tile([0.0, 16.0], (3, 1)),
        doubts_px=np.zeros(3),
        line=line,
    )


@pytest.mark.parametrize("angle_deg", [0.0, 70.0])
def test_tilt_is_corrected(angle_deg: float) -> None:
    """A 6 mm wire at 20 degrees of tilt, projected by its two touching planes."""
    focal, distance, tilt = 420.0, 220.0, np.deg2rad(20)
    forward = np.array([0.0, np.sin(tilt), -np.cos(tilt)])
    right, down = np.array([1.0, 0, 0]), np.cross(forward, [1.0, 0, 0])
    camera = -distance * forward
    rotation = np.stack([right, down, forward])
    intrinsic = np.array([[focal, 0, 200], [0, focal, 130], [0, 0, 1]])
    px_from_mm = intrinsic @ rotation @ np.column_stack([[1, 0, 0], [0, 1, 0], -camera])
    a = np.deg2rad(angle_deg)
    along, across = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
    foot = float(camera[:2] @ across)
    edges = apparent_edges_mm(6.0, axis_mm=4.0 - foot, camera_height_mm=camera[2])
    mm_from_px = np.linalg.inv(px_from_mm)

    class Projected:
        length = 130.0

        def across_and_along(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            at = np.stack([x, y, np.ones_like(x)], axis=-1) @ mm_from_px.T
            on_plane = at[..., :2] / at[..., 2:]
            side = on_plane @ across - foot
            unit = 2 * (side - edges[0]) / (edges[1] - edges[0]) - 1
            return unit.astype(np.float32), (on_plane @ along).astype(np.float32)

    photo, region = draw(Projected(), 2.0, Look(), seed=12)  # type: ignore[arg-type]
    scale = Scale(
        reference="marker:40",
        mm_from_px=mm_from_px,
        mm_per_px=distance / focal,
        u_rel=0.0005,
        budget={"fit": 0.0005},
        tilt_deg=20.0,
        residual_px=0.1,
        outlines_px=(),
        camera_mm=(float(camera[0]), float(camera[1]), float(camera[2])),
    )
    got = measure_diameter(photo, region, scale, form=Form.WIRE).diameter
    assert got is not None
    assert abs(got.value - 6.0) < 3 * got.u
    # The drawing tests the network as well; the projection alone is exact.
    t = np.linspace(-40, 40, 9)[:, None]
    sides = [np.column_stack([t * along + (e + foot) * across, np.ones(9)]) for e in edges]
    left, right = (p[:, :2] / p[:, 2:] for p in (side @ px_from_mm.T for side in sides))
    exact = replace(some_edges(), left_px=left, right_px=right)
    assert diameters_mm(exact, photo, scale) == pytest.approx(6.0, rel=2e-3)


def test_neighbours_that_move_together_count_for_fewer() -> None:
    rng = np.random.default_rng(1)
    white = rng.normal(size=400)
    slow = np.convolve(rng.normal(size=420), np.ones(21) / 21, mode="valid")
    assert independent(white) > 200
    # A running mean of 21 leaves about one independent value in 21.
    assert 8 < independent(slow) < 60


@pytest.mark.parametrize("freedom", [3, 5, 10, 50])
def test_coverage_factor_is_students(freedom: int) -> None:
    # scipy.stats.t, an independent implementation.
    assert coverage_factor(1.0, 1.0, freedom) == pytest.approx(
        student.ppf(0.975, freedom), rel=0.02
    )
