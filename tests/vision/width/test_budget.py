"""The parts of a width's uncertainty, against their definitions and tables."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import t as student

from rules.findings import Measurement
from tests.vision.drawn_wire import Look, apparent_edges_mm, draw, scale_from_above
from vision.pieces.centreline import CentreLine, centre_line
from vision.types import Scale
from vision.width.budget import (
    combined,
    coverage_factor,
    diameters_mm,
    independent,
    of_budget,
)
from vision.width.diameter import measure_diameter
from vision.width.edges import Edges


def some_edges() -> Edges:
    line = CentreLine(
        points_px=np.zeros((3, 2)),
        tangents=np.tile([1.0, 0.0], (3, 1)),
        radius_px=8.0,
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
    line = centre_line(region.mask, offset_px=region.box_px[:2])
    got = measure_diameter(photo, region, scale, line).diameter
    assert got is not None
    assert abs(got.value - 6.0) < 3 * got.u
    # The drawing tests the network as well; the projection alone is exact.
    t = np.linspace(-40, 40, 9)[:, None]
    sides = [np.column_stack([t * along + (e + foot) * across, np.ones(9)]) for e in edges]
    left, right = (p[:, :2] / p[:, 2:] for p in (side @ px_from_mm.T for side in sides))
    exact = replace(some_edges(), left_px=left, right_px=right)
    assert diameters_mm(exact, scale) == pytest.approx(6.0, rel=2e-3)


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


# ----------------------------------------------------------- stretch by stretch


def edges_along(middle: np.ndarray, cut: np.ndarray) -> Edges:
    return replace(
        some_edges(),
        left_px=middle - cut / 2,
        right_px=middle + cut / 2,
        doubts_px=np.zeros(len(middle)),
    )


@pytest.mark.parametrize("slant_deg", [0.0, 15.0, -30.0])
def test_a_slanted_cut_makes_no_piece_thicker(slant_deg: float) -> None:
    # Pythagoras: cut at a slant, 20 px across are 20 / cos(slant) long.
    middle = np.column_stack([np.arange(0, 200, 10.0), np.full(20, 100.0)])
    cut = np.array([20 * np.tan(np.deg2rad(slant_deg)), 20.0])
    edges = edges_along(middle, np.tile(cut, (20, 1)))
    assert edges.width_px == pytest.approx(20 / np.cos(np.deg2rad(slant_deg)))
    found = diameters_mm(edges, scale_from_above())
    assert found == pytest.approx(2.0, rel=1e-4)


def test_both_arms_of_an_elbow_are_cut_square_to_themselves() -> None:
    # One arm along x, the other along y; between them the stretches of the bend are left out.
    at = np.arange(0, 100, 10.0)
    first = np.column_stack([at, np.zeros(10)])
    second = np.column_stack([np.full(10, 150.0), 60 + at])
    cuts = np.repeat([[0.0, 15.0], [-15.0, 0.0]], 10, axis=0)
    edges = edges_along(np.concatenate([first, second]), cuts)
    found = diameters_mm(edges, scale_from_above())
    assert found == pytest.approx(1.5, rel=1e-4)


def test_two_stretches_alone_are_taken_as_they_were_cut() -> None:
    edges = edges_along(np.array([[0.0, 0.0], [10.0, 0.0]]), np.array([[0.0, 30.0], [0.0, 31.0]]))
    found = diameters_mm(edges, scale_from_above())
    assert found == pytest.approx([3.0, 3.1], rel=1e-4)


# -------------------------------------------------------------------- the parts


@pytest.mark.parametrize("phi", [0.3, 0.6])
def test_of_a_first_order_process_so_many_are_independent_as_theory_says(phi: float) -> None:
    # AR(1): autocorrelation phi^k, so n (1 - phi) / (1 + phi) (Priestley 1981, from memory).
    noise = np.random.default_rng(5).normal(size=20_000)
    values = lfilter([1.0], [1.0, -phi], noise)
    assert independent(values) == pytest.approx(20_000 * (1 - phi) / (1 + phi), rel=0.1)


def test_three_values_or_equal_ones_count_each() -> None:
    assert independent(np.array([1.0, 2.0, 4.0])) == 3
    assert independent(np.full(12, 7.0)) == 12


def wire_edges(widths_px: np.ndarray, *, doubts_px: float = 0.0) -> Edges:
    middle = np.column_stack([10.0 * np.arange(len(widths_px)), np.full(len(widths_px), 100.0)])
    cut = np.column_stack([np.zeros(len(widths_px)), widths_px])
    return replace(edges_along(middle, cut), doubts_px=np.full(len(widths_px), doubts_px))


def budget_of(edges: Edges, scale: Scale) -> Measurement:
    return combined(diameters_mm(edges, scale), edges, scale)


def test_the_scatter_is_that_of_a_median() -> None:
    # A median of n normal values scatters by sqrt(pi / 2) sigma / sqrt(n) (Kendall and Stuart,
    # from memory); sigma of these is 1 px, and 1 px is 0.1 mm.
    widths = 40 + np.random.default_rng(3).normal(size=4000)
    told = budget_of(wire_edges(widths), scale_from_above())
    assert told.budget["scatter"] == pytest.approx(
        np.sqrt(np.pi / 2) * 0.1 / np.sqrt(4000), rel=0.1
    )


def test_each_part_grows_with_its_own_cause_alone() -> None:
    widths = np.full(12, 40.0)
    base = replace(scale_from_above(height_mm=300.0), u_camera_rel=0.02)
    plain = budget_of(wire_edges(widths), base).budget
    cases = {
        "scale": budget_of(wire_edges(widths), replace(base, u_rel=2 * base.u_rel)),
        "camera_height": budget_of(wire_edges(widths), replace(base, u_camera_rel=0.04)),
        "layout": budget_of(wire_edges(widths, doubts_px=1.0), base),
        "away_from_reference": budget_of(wire_edges(widths), replace(base, u_away_rel_per_mm=1e-4)),
    }
    for cause, told in cases.items():
        grown = {part for part in plain if told.budget[part] > plain[part] * 1.001 + 1e-12}
        assert grown == {cause}
    assert cases["scale"].budget["scale"] == pytest.approx(2 * plain["scale"])
    assert cases["camera_height"].budget["camera_height"] == pytest.approx(
        2 * plain["camera_height"], rel=0.05
    )


def test_from_twice_as_high_a_piece_off_the_table_errs_half_as_much() -> None:
    # Similar triangles: h / Z.
    near, far = (
        budget_of(wire_edges(np.full(9, 40.0)), scale_from_above(height_mm=z)).budget["lift"]
        for z in (200.0, 400.0)
    )
    assert near == pytest.approx(2 * far, rel=0.02)


# ----------------------------------------------------------------- the interval


def test_the_parts_add_up_as_squares_and_no_size_is_below_zero() -> None:
    told = of_budget(0.1, {"a": 0.3, "b": 0.4, "scatter": 0.0}, n_eff=10)  # 3, 4, 5
    assert told.u == pytest.approx(0.5)
    assert told.low95 == 0.0
    assert told.high95 == pytest.approx(0.1 + 1.96 * 0.5)


def test_few_scattered_looks_widen_the_interval_as_students_t_does() -> None:
    told = of_budget(2.0, {"scatter": 0.1}, n_eff=6)
    assert told.high95 - 2.0 == pytest.approx(student.ppf(0.975, 5) * 0.1, rel=0.01)
    assert 2.0 - told.low95 == pytest.approx(told.high95 - 2.0)


def test_degrees_of_freedom_are_those_of_welch_and_satterthwaite() -> None:
    # JCGM 100:2008, G.4.1: half of u from 5 degrees of freedom gives 5 * 2^4 = 80.
    assert coverage_factor(2.0, 1.0, 5) == pytest.approx(student.ppf(0.975, 80), rel=1e-4)
    assert coverage_factor(1.0, 0.0, 5) == pytest.approx(1.96)
    assert coverage_factor(1.0, 1.0, 1) <= 12.71  # t of one degree: 12.706
