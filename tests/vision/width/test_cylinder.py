"""Apparent width of a cylinder, against the closed form and an independent construction."""

from __future__ import annotations

import csv
from math import asin, atan, atan2, hypot, sqrt, tan
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from tests.vision.drawn_wire import apparent_edges_mm
from vision.width.cylinder import diameter_of_cylinder

TABLE = Path(__file__).parents[2] / "data" / "perspective.csv"


def rows() -> list[dict[str, float]]:
    lines = [line for line in TABLE.read_text().splitlines() if not line.startswith("#")]
    return [{k: float(v) for k, v in row.items()} for row in csv.DictReader(lines)]


@pytest.mark.parametrize("row", rows(), ids=lambda r: f"H{r['camera_height_H_mm']:g}")
def test_undoes_the_tabled_apparent_widths(row: dict[str, float]) -> None:
    # H is over the table; the table's own columns are rounded to 6 decimals.
    d, height, t = (
        row["diameter_d_mm"],
        row["camera_height_H_mm"],
        row["reference_face_height_t_mm"],
    )
    apparent = d * row["apparent_over_true_with_ref_at_t"]
    got = diameter_of_cylinder(
        -apparent / 2, apparent / 2, camera_height_mm=height - t, face_height_mm=t
    )
    assert got == pytest.approx(d, rel=2e-6)
    exact = d / sqrt(1 - d / height) * (height - t) / height
    got = diameter_of_cylinder(-exact / 2, exact / 2, camera_height_mm=height - t, face_height_mm=t)
    assert abs(got - d) < 1e-9


@pytest.mark.parametrize("x", [0.0, 37.0, -100.0])
@pytest.mark.parametrize("d", [0.5, 1.2908, 28.575])
def test_off_axis_formula_of_the_reference(d: float, x: float) -> None:
    # Reference part 7: rho = hypot(x, H - r), width = H [tan(phi + delta) - tan(phi - delta)].
    height, r = 300.0, d / 2
    rho, phi = hypot(x, height - r), atan(x / (height - r))
    delta = asin(r / rho)
    left, right = height * tan(phi - delta), height * tan(phi + delta)
    assert abs(diameter_of_cylinder(left, right, camera_height_mm=height) - d) < 1e-9
    assert apparent_edges_mm(d, axis_mm=x, camera_height_mm=height) == pytest.approx((left, right))


def test_published_size_of_the_effect() -> None:
    # Reference part 7: H = 300, d = 28.575 seems 5.13 % wider, and 11.4 % at x = 100 mm.
    for x, percent in ((0.0, 5.13), (100.0, 11.4)):
        left, right = apparent_edges_mm(28.575, axis_mm=x, camera_height_mm=300)
        assert 100 * ((right - left) / 28.575 - 1) == pytest.approx(percent, abs=0.05)


def test_agrees_with_touching_rays_found_by_search() -> None:
    # Independent: turn a ray until its distance from the centre equals the radius.
    height, face, d, x = 180.0, 1.75, 22.0, 60.0
    r = d / 2
    to_centre = atan2(x, height + face - r)

    def miss(angle: float) -> float:
        # distance of the centre from a ray leaving the camera at this angle from straight down
        return abs(x * np.cos(angle) - (height + face - r) * np.sin(angle)) - r

    left = height * tan(brentq(miss, to_centre - 1.0, to_centre, xtol=1e-14))
    right = height * tan(brentq(miss, to_centre, to_centre + 1.0, xtol=1e-14))
    got = diameter_of_cylinder(left, right, camera_height_mm=height, face_height_mm=face)
    assert abs(got - d) < 1e-9


def test_twice_the_scene_is_twice_the_diameter() -> None:
    once = diameter_of_cylinder(10.0, 14.0, camera_height_mm=250.0, face_height_mm=0.76)
    twice = diameter_of_cylinder(20.0, 28.0, camera_height_mm=500.0, face_height_mm=1.52)
    assert twice == pytest.approx(2 * once, rel=1e-12)


def test_order_of_the_edges_does_not_matter() -> None:
    assert diameter_of_cylinder(3.0, 1.0, camera_height_mm=200.0) == pytest.approx(
        diameter_of_cylinder(1.0, 3.0, camera_height_mm=200.0)
    )
