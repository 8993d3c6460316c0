"""A scale from two taps, against a pinhole camera (textbook projection)."""

from __future__ import annotations

from math import isnan, sqrt

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rules.errors import PhotoError
from vision.reference.two_points import U_LENGTH_MM, scale_from_two_points
from vision.types import Photo

FOCAL_PX = 3000.0
SIZE = (4000, 3000)


def blank(focal_px: float | None = FOCAL_PX) -> Photo:
    pixels = np.broadcast_to(np.uint8(200), (SIZE[1], SIZE[0], 3))
    return Photo(name="drawn", sha256="0" * 64, rgb=pixels, focal_px=focal_px)


def camera(tilt_deg: float, turn_deg: float, height_mm: float) -> np.ndarray:
    """``(3, 3)`` from mm on the table to pixels, of a pinhole camera (textbook projection)."""
    t, a = np.radians(tilt_deg), np.radians(turn_deg)
    about = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    lean = np.array([[1, 0, 0], [0, np.cos(t), -np.sin(t)], [0, np.sin(t), np.cos(t)]])
    turn = about.T @ lean @ about
    lens = np.array([[FOCAL_PX, 0, SIZE[0] / 2], [0, FOCAL_PX, SIZE[1] / 2], [0, 0, 1]])
    return lens @ np.column_stack([turn[:, 0], turn[:, 1], [0, 0, height_mm]])


def project(matrix: np.ndarray, points_mm: np.ndarray) -> np.ndarray:
    homogeneous = np.column_stack([points_mm, np.ones(len(points_mm))]) @ matrix.T
    return homogeneous[:, :2] / homogeneous[:, 2:]


def test_straight_from_above_the_scale_is_the_length_over_the_distance() -> None:
    scale = scale_from_two_points(blank(), (1000.0, 900.0), (2027.2, 900.0), length_mm=85.6)
    assert scale.mm_per_px == pytest.approx(85.6 / 1027.2)
    assert scale.to_mm(np.array([[1000.0, 900.0], [2027.2, 900.0]])) == pytest.approx(
        np.array([[-42.8, 0.0], [42.8, 0.0]])
    )
    assert scale.camera_mm[2] == pytest.approx(FOCAL_PX * 85.6 / 1027.2)
    assert isnan(scale.tilt_deg)


def test_the_budget_is_the_root_sum_of_squares_of_its_parts() -> None:
    scale = scale_from_two_points(blank(), (0.0, 0.0), (1000.0, 0.0), length_mm=50, u_tap_px=3)
    assert scale.u_rel == pytest.approx(sqrt(sum(part**2 for part in scale.budget.values())))
    assert scale.budget["taps"] == pytest.approx(sqrt(2) * 3 / 1000)
    assert scale.budget["length"] == pytest.approx(U_LENGTH_MM / 50)


def test_the_stated_doubt_covers_hand_held_cameras() -> None:
    """Cameras leaning up to 15 degrees, lengths and pieces anywhere: two thirds within 1 u."""
    rng = np.random.default_rng(11)
    z = []
    for _ in range(600):
        height = rng.uniform(150, 350)
        matrix = camera(rng.uniform(0, 15), rng.uniform(0, 360), height)
        length = rng.uniform(40, 90)
        way = rng.uniform(0, np.pi)
        half = length / 2 * np.array([np.cos(way), np.sin(way)])
        middle = rng.uniform(-0.25, 0.25, 2) * height
        ends = project(matrix, np.stack([middle - half, middle + half]))
        ends += rng.normal(0, 2, ends.shape)
        said = length + rng.uniform(-0.5, 0.5)
        photo = blank()
        if (ends < 0).any() or (ends > np.array(SIZE) - 1).any():
            continue
        scale = scale_from_two_points(photo, tuple(ends[0]), tuple(ends[1]), length_mm=said)
        where = rng.uniform(-0.25, 0.25, 2) * height
        other = rng.uniform(0, np.pi)
        step = np.array([np.cos(other), np.sin(other)])
        seen = project(matrix, np.stack([where, where + step]))
        truth = 1.0 / float(np.hypot(*(seen[1] - seen[0])))
        away = float(np.hypot(*(where - middle)))
        u = np.hypot(scale.u_rel, scale.u_away_rel_per_mm * away)
        z.append((scale.mm_per_px / truth - 1) / u)
    spread = float(np.sqrt(np.mean(np.square(z))))
    assert len(z) > 400
    assert spread < 1.15, "we claim less doubt than there is"
    assert spread > 0.6, "we claim far more doubt than there is"
    assert np.mean(np.abs(z) < 1.96) > 0.92


@pytest.mark.parametrize(
    ("first", "second", "length", "code"),
    [
        ((10.0, 10.0), (40.0, 10.0), 50.0, "points_too_near"),
        ((10.0, 10.0), (900.0, 10.0), 0.0, "length_wrong"),
        ((10.0, 10.0), (900.0, 10.0), float("nan"), "length_wrong"),
        ((10.0, 10.0), (900.0, 10.0), 1e9, "length_wrong"),
        ((-5.0, 10.0), (900.0, 10.0), 50.0, "points_outside"),
        ((10.0, 10.0), (9000.0, 10.0), 50.0, "points_outside"),
        ((10.0, float("nan")), (900.0, 10.0), 50.0, "points_outside"),
    ],
)
def test_taps_that_cant_serve_are_refused_with_what_to_do(
    first: tuple[float, float], second: tuple[float, float], length: float, code: str
) -> None:
    with pytest.raises(PhotoError) as fault:
        scale_from_two_points(blank(), first, second, length_mm=length)
    assert fault.value.code == code
    assert fault.value.fix


def test_the_longer_the_length_the_surer_the_scale() -> None:
    u = [
        scale_from_two_points(blank(), (0.0, 0.0), (12.0 * mm, 0.0), length_mm=mm).u_rel
        for mm in (10.0, 20.0, 50.0, 85.6)
    ]
    assert u == sorted(u, reverse=True)


@given(
    st.tuples(st.floats(0, 3999), st.floats(0, 2999)),
    st.tuples(st.floats(0, 3999), st.floats(0, 2999)),
    st.floats(1.0, 2000.0),
)
def test_the_two_taps_are_as_far_apart_as_was_said(
    first: tuple[float, float], second: tuple[float, float], length_mm: float
) -> None:
    assume(np.hypot(*np.subtract(first, second)) > 61)
    scale = scale_from_two_points(blank(), first, second, length_mm=length_mm)
    ends = scale.to_mm(np.array([first, second]))
    assert np.hypot(*(ends[1] - ends[0])) == pytest.approx(length_mm)
    assert ends.mean(axis=0) == pytest.approx([0, 0], abs=1e-6), "mm are counted from the middle"
    assert scale.u_rel > 0 and scale.camera_mm[2] > 0


def test_which_end_is_tapped_first_does_not_matter() -> None:
    there, back = (
        scale_from_two_points(blank(), *ends, length_mm=85.6)
        for ends in (((100.0, 200.0), (900.0, 700.0)), ((900.0, 700.0), (100.0, 200.0)))
    )
    assert there.mm_from_px == pytest.approx(back.mm_from_px)
    assert there.budget == pytest.approx(back.budget)


def test_twice_the_length_is_twice_the_scale_and_twice_as_high_a_camera() -> None:
    one, two = (
        scale_from_two_points(blank(), (100.0, 100.0), (1100.0, 100.0), length_mm=mm)
        for mm in (50.0, 100.0)
    )
    assert two.mm_per_px == pytest.approx(2 * one.mm_per_px)
    assert two.camera_mm[2] == pytest.approx(2 * one.camera_mm[2])
    # From twice as high a thing 1 mm up is half as much larger (similar triangles).
    assert two.budget["face_height"] == pytest.approx(one.budget["face_height"] / 2)


def test_the_camera_stands_over_the_middle_of_the_photo() -> None:
    # 500 px right of and 250 px below the middle of the photo, at 0.1 mm a pixel.
    scale = scale_from_two_points(blank(), (1999.5, 1749.5), (2999.5, 1749.5), length_mm=100.0)
    assert scale.camera_mm[:2] == pytest.approx((-50.0, -25.0))


def test_of_an_unknown_lens_the_height_is_less_sure() -> None:
    known, unknown = (
        scale_from_two_points(blank(f), (0.0, 0.0), (1000.0, 0.0), length_mm=50)
        for f in (FOCAL_PX, None)
    )
    assert unknown.u_camera_rel > 2 * known.u_camera_rel
