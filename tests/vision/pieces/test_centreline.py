"""Centre lines against the curves that masks were drawn from."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter1d
from scipy.sparse import csr_array
from scipy.sparse.csgraph import shortest_path
from skimage.measure import euler_number

from tests.vision.drawn_wire import Bent, Straight
from vision.pieces.centreline import (
    CentreLine,
    axis_line,
    centre_line,
    even_steps,
    longest_path,
    neighbours,
    resampled,
    smoothed,
    thinned,
    unit_tangents,
)
from vision.types import Region


def mask_of(axis: Straight | Bent, width: float, size: tuple[int, int] = (400, 260)) -> np.ndarray:
    x, y = np.meshgrid(np.arange(size[0], dtype=float), np.arange(size[1], dtype=float))
    across, along = axis.across_and_along(x, y)
    return (np.abs(across) <= width / 2) & (np.abs(along) <= axis.length / 2)


@pytest.mark.parametrize("width", [4.0, 10.0, 31.0, 90.0])
@pytest.mark.parametrize(
    "axis",
    [
        Straight(length=320, angle_deg=0, centre=(200, 130)),
        Straight(length=260, angle_deg=37, centre=(200, 130)),
        Bent(length=300, radius=160, centre=(200, 90)),
    ],
)
def test_runs_along_the_middle(axis: Straight | Bent, width: float) -> None:
    line = centre_line(mask_of(axis, width))
    assert line is not None
    across, along = axis.across_and_along(line.points_px[:, 0], line.points_px[:, 1])
    middle = np.abs(along) < axis.length / 2 - width
    assert np.abs(across[middle]).max() < 1.0 + 0.03 * width
    assert line.radius_px == pytest.approx(width / 2, abs=0.6 + 0.08 * width)
    assert np.allclose(np.linalg.norm(line.tangents, axis=1), 1)
    assert np.allclose(np.sum(line.tangents * line.normals, axis=1), 0)


def test_steps_are_even() -> None:
    line = centre_line(mask_of(Bent(length=300, radius=160, centre=(200, 90)), 12), step_px=2.0)
    assert line is not None
    steps = np.linalg.norm(np.diff(line.points_px, axis=0), axis=1)
    assert np.abs(steps - 2.0).max() < 0.05
    assert line.length_px == pytest.approx(300, abs=16)


def test_a_highlight_cut_out_of_the_mask_does_not_split_the_line() -> None:
    axis = Straight(length=320, angle_deg=10, centre=(200, 130))
    whole = mask_of(axis, 40)
    hollow = whole & ~mask_of(Straight(length=260, angle_deg=10, centre=(200, 130)), 12)
    line = centre_line(hollow)
    assert line is not None
    across, _ = axis.across_and_along(line.points_px[:, 0], line.points_px[:, 1])
    assert np.abs(across).max() < 2.5
    assert line.radius_px == pytest.approx(20, abs=3)


def test_the_eye_of_a_loop_stays_open() -> None:
    mask = np.zeros((260, 260), np.uint8)
    cv2.circle(mask, (130, 130), 90, 1, 12)
    line = centre_line(mask > 0)
    assert line is not None
    assert np.abs(np.hypot(*(line.points_px - 130).T) - 90).max() < 3


def test_a_short_branch_does_not_lead_astray() -> None:
    axis = Straight(length=340, angle_deg=0, centre=(200, 130))
    mask = mask_of(axis, 14) | mask_of(Straight(length=60, angle_deg=90, centre=(200, 160)), 10)
    line = centre_line(mask)
    assert line is not None
    assert np.abs(line.points_px[:, 1] - 130).max() < 4
    assert line.length_px > 300


def test_offset_moves_the_line_into_the_photo() -> None:
    mask = mask_of(Straight(length=320, angle_deg=20, centre=(200, 130)), 12)
    here, there = centre_line(mask), centre_line(mask, offset_px=(1000.0, 500.0))
    assert here is not None and there is not None
    assert np.allclose(there.points_px - here.points_px, (1000, 500))


@pytest.mark.parametrize("mask", [np.zeros((20, 20), bool), np.eye(2, dtype=bool)])
def test_nothing_long_gives_no_line(mask: np.ndarray) -> None:
    assert centre_line(mask) is None


def test_smoothing_keeps_a_straight_line_to_its_ends() -> None:
    ramp = np.linspace(3, 9, 50)
    assert np.allclose(smoothed(ramp, 4.0), ramp)


@st.composite
def scribbles(draw: st.DrawFn) -> np.ndarray:
    """A mask of some strokes, its rim empty; none so thin that a line falls apart."""
    mask = np.zeros((60, 80), np.uint8)
    places = st.tuples(st.integers(6, 73), st.integers(6, 53))
    for _ in range(draw(st.integers(1, 4))):
        one, other = draw(places), draw(places)
        assume(max(abs(one[0] - other[0]), abs(one[1] - other[1])) >= 12)  # dots vanish
        cv2.line(mask, one, other, 1, draw(st.sampled_from([3, 5, 7])))
    return mask


@settings(max_examples=20, deadline=None)
@given(scribbles())
def test_thinning_keeps_every_part_and_every_eye(mask: np.ndarray) -> None:
    """The Euler number (parts less holes) is what thinning must not change."""
    thin = thinned(mask)
    assert euler_number(thin > 0, connectivity=2) == euler_number(mask > 0, connectivity=2)
    assert cv2.connectedComponents(thin)[0] == cv2.connectedComponents(mask)[0]
    assert not np.any(thin & (1 - mask))
    # Lines: nowhere is it wider than a diagonal step, which is two pixels.
    assert cv2.erode(thin, np.ones((3, 3), np.uint8)).max() == 0


def pixels_and_ways(thin: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The pixels of a thin line, ``(x, y)``, and the ways between them in steps, by SciPy."""
    ys, xs = np.nonzero(thin)
    beside = np.maximum(abs(xs[:, None] - xs), abs(ys[:, None] - ys)) == 1
    rows, columns = np.nonzero(beside)
    graph = csr_array((np.ones(len(rows)), (rows, columns)), shape=beside.shape)
    return np.column_stack([xs, ys]), shortest_path(graph, unweighted=True)


@settings(max_examples=20, deadline=None)
@given(scribbles())
def test_the_longest_way_is_a_shortest_way_and_none_is_longer_on_a_tree(mask: np.ndarray) -> None:
    thin = thinned(mask)
    _, labels = cv2.connectedComponents(thin)
    thin = (labels == 1).astype(np.uint8)
    path = longest_path(thin)
    pixels, steps = pixels_and_ways(thin)
    if len(pixels) < 3:
        assert len(path) == 0
        return
    index = {tuple(pixel): number for number, pixel in enumerate(pixels.tolist())}
    ends = index[tuple(path[0].tolist())], index[tuple(path[-1].tolist())]
    assert len(path) - 1 == steps[ends]
    assert np.abs(np.diff(path, axis=0)).max() == 1
    if euler_number(thin > 0, connectivity=2) == 1:  # no eye: a double sweep finds the diameter
        assert len(path) - 1 >= 0.9 * steps.max()


def test_each_neighbour_has_its_own_bit_clockwise_from_the_north() -> None:
    for bit, (dx, dy) in enumerate(
        [(0, -1), (1, -1), (1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1)]
    ):
        mask = np.zeros((3, 3), np.uint8)
        mask[1 + dy, 1 + dx] = 1
        assert neighbours(mask)[1, 1] == 1 << bit


@given(st.lists(st.floats(-50, 50), min_size=12, max_size=60), st.floats(0.6, 3.0))
def test_smoothing_is_a_gaussian_over_a_line_turned_about_its_ends(
    values: list[float], sigma: float
) -> None:
    line = np.array(values)
    half = int(min(np.ceil(3 * sigma), len(line) - 1))
    turned = np.concatenate(
        [2 * line[0] - line[half:0:-1], line, 2 * line[-1] - line[-2 : -half - 2 : -1]]
    )
    reference = gaussian_filter1d(turned, sigma, radius=half)[half:-half]
    assert smoothed(line, sigma) == pytest.approx(reference, abs=1e-9)


def test_steps_along_a_circle_are_as_long_as_the_arc() -> None:
    turn = np.linspace(0, 1.5 * np.pi, 400)
    circle = 80 * np.column_stack([np.cos(turn), np.sin(turn)])
    points = resampled(circle, 2.0)
    assert np.hypot(*points.T) == pytest.approx(80.0, abs=0.01)
    angle = np.unwrap(np.arctan2(points[:, 1], points[:, 0]))
    assert angle == pytest.approx(np.arange(len(points)) * 2.0 / 80, abs=1e-3)
    # A tangent of a circle is square to its radius.
    tangents = unit_tangents(points)[1:-1]
    assert np.sum(tangents * points[1:-1], axis=1) / 80 == pytest.approx(0.0, abs=1e-3)


def test_smoothing_moves_a_bend_by_its_own_curvature() -> None:
    """A Gaussian of s on a circle of R takes it in to R exp(-s² / 2 R²): the cosine's transform."""
    turn = np.linspace(0, 2 * np.pi, 4000)
    circle = 60 * np.column_stack([np.cos(turn), np.sin(turn)])
    line = even_steps(circle, 12.0, 1.0)
    assert line is not None
    points, _ = line
    middle = points[len(points) // 3 : -len(points) // 3]
    assert np.hypot(*middle.T) == pytest.approx(60 * np.exp(-(12.0**2) / (2 * 60**2)), abs=0.05)


@pytest.mark.parametrize("step_px", [0.5, 1.0, 3.0])
def test_steps_along_a_path_are_even(step_px: float) -> None:
    # A 3-4-5 path: 50 px one way, then 60 px another.
    path = np.array([[0.0, 0.0], [30.0, 40.0], [90.0, 40.0]])
    points = resampled(path, step_px)
    assert len(points) == int(110 / step_px) + 1
    steps = np.hypot(*np.diff(points, axis=0).T)
    corner = np.abs(step_px * np.arange(len(steps)) - 50) < step_px  # there the way is cut short
    assert steps[~corner] == pytest.approx(step_px)


def test_tangents_are_unit_vectors_along_the_line() -> None:
    t = np.linspace(0, np.pi, 90)
    circle = 50 * np.column_stack([np.cos(t), np.sin(t)])
    found = unit_tangents(circle)
    assert np.hypot(*found.T) == pytest.approx(np.ones(90))
    # Square to the radius, by geometry; one-sided differences at both ends.
    assert np.abs(np.sum(found * circle, axis=1))[1:-1] == pytest.approx(0, abs=1e-9)


def test_normals_lie_to_the_left_as_seen_on_the_screen() -> None:
    line = CentreLine(
        points_px=np.zeros((2, 2)),
        tangents=np.array([[1.0, 0.0], [0.0, 1.0]]),
        radius_px=1.0,
        step_px=1.0,
    )
    # Going right, left is up (y points down); going down, left is right.
    assert line.normals.tolist() == [[0.0, -1.0], [1.0, 0.0]]


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 75.0, 120.0])
def test_a_short_piece_has_the_axis_of_its_rectangle(angle_deg: float) -> None:
    box = cv2.boxPoints(((200.0, 150.0), (80.0, 30.0), angle_deg))
    region = Region(
        box_px=(0, 0, 400, 300),
        mask=np.ones((300, 400), bool),
        outline_px=box.astype(float),
        score=1.0,
    )
    line = axis_line(region)
    assert line.length_px == pytest.approx(80, abs=1)
    assert line.radius_px == pytest.approx(15, abs=0.1)
    assert line.points_px.mean(axis=0) == pytest.approx([200, 150], abs=0.5)
    turn = np.degrees(np.arctan2(line.tangents[0, 1], line.tangents[0, 0]))
    assert (turn - angle_deg) % 180 == pytest.approx(0, abs=0.1) or (
        turn - angle_deg
    ) % 180 == pytest.approx(180, abs=0.1)


def test_a_photo_twice_as_fine_has_the_same_line() -> None:
    mask = np.zeros((300, 500), np.uint8)
    cv2.ellipse(mask, (250, 320), (200, 220), 0, 200, 340, (1,), 16)
    fine = cv2.resize(mask, None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST)
    one, two = centre_line(mask > 0), centre_line(fine > 0)
    assert one is not None and two is not None
    assert two.length_px == pytest.approx(2 * one.length_px, rel=0.03)
    assert two.radius_px == pytest.approx(2 * one.radius_px, rel=0.08)
