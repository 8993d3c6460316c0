"""Pose and scale of a plane from points: drawn truth and honest doubt."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import approx_fprime, least_squares

from tests.vision.flat_scenes import Camera, camera_over
from vision.reference.plane import (
    UNIT_SQUARE,
    Lens,
    Plane,
    _Pose,
    _Problem,
    fit_plane,
    from_corners,
    lens_of,
    mapped,
)
from vision.types import FloatArray, Photo

SQUARE = np.array([[0.0, 0], [40, 0], [40, 40], [0, 40]])


def lens_for(camera: Camera, *, off: float = 0.0, u: float = 0.03) -> Lens:
    return Lens(
        focal_px=camera.focal_px * np.exp(off),
        u_log_focal=u,
        centre_px=((camera.width_px - 1) / 2, (camera.height_px - 1) / 2),
        u_centre_px=10.0,
    )


def seen(seed: int, tilt_deg: float, noise_px: float) -> tuple[FloatArray, Camera]:
    rng = np.random.default_rng(seed)
    camera = camera_over(rng, height_mm=240, tilt_deg=tilt_deg, look_at_mm=(50, 15))
    return camera.project(SQUARE) + rng.normal(0, noise_px, (4, 2)), camera


@pytest.mark.parametrize("tilt_deg", [0.0, 4.0, 15.0, 30.0])
def test_exact_points_give_the_exact_plane(tilt_deg: float) -> None:
    points, camera = seen(1, tilt_deg, 0.0)
    plane = fit_plane(points, SQUARE, u_px=0.03, lens=lens_for(camera))
    far = np.array([[90.0, 10], [-30, 70]])
    mapped = np.column_stack([camera.project(far), np.ones(2)]) @ plane.mm_from_px.T
    assert mapped[:, :2] / mapped[:, 2:] == pytest.approx(far, abs=0.01)
    true = -camera.rotation.T @ camera.shift
    assert plane.camera_mm == pytest.approx((true[0], true[1], -true[2]), abs=0.5)
    assert plane.tilt_deg == pytest.approx(tilt_deg, abs=0.1)


def test_scale_is_that_of_the_centre() -> None:
    points, camera = seen(2, 0.0, 0.0)
    plane = fit_plane(points, SQUARE, u_px=0.03, lens=lens_for(camera))
    # a level pinhole: mm per pixel is height over focal length
    assert plane.mm_per_px == pytest.approx(240 / camera.focal_px, rel=1e-4)


def plane_of_draw(seed: int, *, tilt_deg: float, off: float) -> tuple[Plane, Camera]:
    points, camera = seen(seed, tilt_deg, 0.1)
    return fit_plane(points, SQUARE, u_px=0.1, lens=lens_for(camera, off=off, u=0.1)), camera


def test_stated_uncertainties_cover_the_scatter() -> None:
    rng = np.random.default_rng(9)
    scale, height = [], []
    for seed in range(80):
        plane, camera = plane_of_draw(seed, tilt_deg=rng.uniform(0, 25), off=rng.normal(0, 0.1))
        a, b = camera.project(SQUARE.mean(axis=0) + np.array([[-0.05, 0], [0.05, 0]]))
        c, d = camera.project(SQUARE.mean(axis=0) + np.array([[0, -0.05], [0, 0.05]]))
        area_px = abs((b - a)[0] * (d - c)[1] - (b - a)[1] * (d - c)[0])
        scale.append(np.log(plane.mm_per_px / (0.1 / np.sqrt(area_px))) / plane.u_fit_rel)
        true_height = abs((camera.rotation.T @ camera.shift)[2])
        height.append(np.log(plane.camera_mm[2] / true_height) / plane.u_camera_rel)
    assert 0.7 < np.std(scale) < 1.3
    assert 0.7 < np.sqrt(np.mean(np.square(height))) < 1.3


def test_doubt_about_the_lens_is_doubt_about_the_height_alone() -> None:
    points, camera = seen(3, 2.0, 0.0)
    sure = fit_plane(points, SQUARE, u_px=0.05, lens=lens_for(camera, u=0.02))
    unsure = fit_plane(points, SQUARE, u_px=0.05, lens=lens_for(camera, u=0.2))
    assert unsure.u_camera_rel > 3 * sure.u_camera_rel
    assert unsure.u_fit_rel == pytest.approx(sure.u_fit_rel, rel=0.2)


def test_a_tilted_reference_corrects_the_focal_length() -> None:
    points, camera = seen(4, 30.0, 0.0)
    plane = fit_plane(points, SQUARE, u_px=0.02, lens=lens_for(camera, off=0.3, u=0.3))
    assert plane.focal_px == pytest.approx(camera.focal_px, rel=0.05)


def test_smaller_reference_is_less_sure_farther_away() -> None:
    points, camera = seen(5, 10.0, 0.0)
    half = SQUARE / 2
    small = fit_plane(camera.project(half), half, u_px=0.1, lens=lens_for(camera))
    large = fit_plane(points, SQUARE, u_px=0.1, lens=lens_for(camera))
    assert small.u_away_rel_per_mm > large.u_away_rel_per_mm
    assert small.u_fit_rel > large.u_fit_rel


def test_points_on_a_line_are_no_plane() -> None:
    line = np.column_stack([np.arange(4.0), np.arange(4.0)])
    lens = Lens(focal_px=1000, u_log_focal=0.1, centre_px=(500, 400), u_centre_px=5)
    with pytest.raises(np.linalg.LinAlgError):
        fit_plane(line * 20 + 100, line, u_px=0.1, lens=lens)


def test_without_metadata_a_usual_phone_is_assumed_with_wide_doubt() -> None:
    rgb = np.zeros((3000, 4000, 3), np.uint8)
    told = lens_of(Photo(name="a", sha256="", rgb=rgb, focal_px=3111.0))
    assumed = lens_of(Photo(name="a", sha256="", rgb=rgb))
    assert told.focal_px == pytest.approx(3111.0)
    # 26 mm on a 43.27 mm diagonal (35 mm film): 5000 px x 26 / 43.27
    assert assumed.focal_px == pytest.approx(3004.4, abs=1)
    assert assumed.u_log_focal > 3 * told.u_log_focal


def photo_without_metadata(camera: Camera) -> Photo:
    rgb = np.zeros((camera.height_px, camera.width_px, 3), np.uint8)
    return Photo(name="a", sha256="", rgb=rgb)


def view(equivalent_mm: float, tilt_deg: float) -> tuple[Plane, Camera]:
    camera = camera_over(
        np.random.default_rng(7),
        height_mm=240 * equivalent_mm / 26,
        tilt_deg=tilt_deg,
        look_at_mm=(30, 15),
        equivalent_mm=equivalent_mm,
    )
    lens = lens_of(photo_without_metadata(camera))
    return fit_plane(camera.project(SQUARE), SQUARE, u_px=0.05, lens=lens), camera


@pytest.mark.parametrize("equivalent_mm", [26.0, 50.0])
def test_a_tilted_reference_tells_an_enlarged_photo_from_a_usual_one(equivalent_mm: float) -> None:
    plane, camera = view(equivalent_mm, 25.0)
    assert plane.focal_px == pytest.approx(camera.focal_px, rel=0.03)
    assert plane.u_camera_rel < 0.12


@pytest.mark.parametrize("equivalent_mm", [24.0, 26.0, 28.0, 50.0])
def test_a_level_view_leaves_both_kinds_of_photo_open(equivalent_mm: float) -> None:
    plane, camera = view(equivalent_mm, 0.0)
    true = abs((camera.rotation.T @ camera.shift)[2])
    miss = abs(np.log(plane.camera_mm[2] / true))
    assert plane.focal_px == pytest.approx(26 / 43.27 * 2000, rel=0.01)  # of a 1600 x 1200 photo
    assert 0.2 < plane.u_camera_rel < 0.35
    assert miss < 2.5 * plane.u_camera_rel
    # the scale itself does not hang on the lens
    assert plane.u_fit_rel < 0.003


def test_the_doubt_about_an_unknown_lens_is_that_of_its_kinds_together() -> None:
    lens = lens_of(Photo(name="a", sha256="", rgb=np.zeros((120, 160, 3), np.uint8)))
    rng = np.random.default_rng(0)
    draws = np.concatenate(
        [
            rng.normal(np.log(kind.focal_px), kind.u_log_focal, round(200_000 * share))
            for kind, share in lens.each()
        ]
    )
    away = np.sqrt(np.mean((draws - np.log(lens.focal_px)) ** 2))
    assert lens.u_log_focal == pytest.approx(away, rel=0.01)
    assert sum(share for _, share in lens.each()) == pytest.approx(1.0)
    assert lens.any_kind.each() == [(lens.any_kind, 1.0)]


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.floats(0, 32))
def test_exact_points_give_opencvs_homography(seed: int, tilt_deg: float) -> None:
    points, camera = seen(seed, tilt_deg, 0.0)
    plane = fit_plane(points, SQUARE, u_px=0.05, lens=lens_for(camera))
    reference = cv2.getPerspectiveTransform(points.astype(np.float32), SQUARE.astype(np.float32))
    at = points.mean(axis=0) + np.array([[0.0, 0.0], [30.0, -20.0]])

    def mapped(matrix: FloatArray) -> FloatArray:
        return cv2.perspectiveTransform(at[None], matrix)[0]

    assert mapped(plane.mm_from_px) == pytest.approx(mapped(reference), abs=2e-3)


def problem_of(seed: int) -> tuple[_Problem, _Pose]:
    points, camera = seen(seed, 12.0, 0.3)
    problem = _Problem(points, SQUARE, 0.3, lens_for(camera, off=0.05))
    return problem, problem.starts()[0]


@pytest.mark.parametrize("seed", range(4))
def test_the_derivatives_are_those_by_differences(seed: int) -> None:
    """Against SciPy's forward differences; each unknown in a size of its own."""
    problem, pose = problem_of(seed)
    _, slope = problem.residuals(pose)
    size = np.array([1.0, 1.0, 1.0, 100.0, 100.0, 100.0, 1.0, 100.0, 100.0])
    by_differences = approx_fprime(
        np.zeros(9), lambda step: problem.residuals(pose.moved(step * size))[0], 1e-7
    )
    assert by_differences == pytest.approx(slope * size, rel=2e-3, abs=0.05)


@pytest.mark.parametrize("seed", range(4))
def test_the_adjustment_ends_where_scipys_does(seed: int) -> None:
    problem, pose = problem_of(seed)
    _, cost = problem.solve(pose)
    size = np.array([0.1, 0.1, 0.1, 10.0, 10.0, 10.0, 0.1, 10.0, 10.0])
    reference = least_squares(
        lambda step: problem.residuals(pose.moved(step * size))[0], np.zeros(9), xtol=1e-12
    )
    assert cost == pytest.approx(2 * reference.cost, rel=1e-4, abs=1e-5)


def test_four_corners_go_to_four_others_and_their_middle_along() -> None:
    there = np.array([[10.0, 20.0], [110.0, 20.0], [110.0, 80.0], [10.0, 80.0]])
    homography = from_corners(UNIT_SQUARE, there)
    assert mapped(UNIT_SQUARE, homography) == pytest.approx(there, abs=1e-3)
    assert mapped(np.array([[0.5, 0.5]]), homography)[0] == pytest.approx([60.0, 50.0], abs=1e-3)


@settings(max_examples=12, deadline=None)
@given(st.floats(0.05, 5.0), st.integers(0, 20), st.floats(0, 25))
def test_in_other_lengths_the_plane_is_the_same(times: float, seed: int, tilt_deg: float) -> None:
    """Twice the millimetres, twice the scale and the height; tilt and relative doubt stay."""
    points, camera = seen(seed, tilt_deg, 0.03)
    one = fit_plane(points, SQUARE, u_px=0.03, lens=lens_for(camera))
    other = fit_plane(points, times * SQUARE, u_px=0.03, lens=lens_for(camera))
    assert other.mm_per_px == pytest.approx(times * one.mm_per_px, rel=1e-5)
    assert other.camera_mm[2] == pytest.approx(times * one.camera_mm[2], rel=1e-3)
    assert other.tilt_deg == pytest.approx(one.tilt_deg, abs=0.05)
    assert other.u_fit_rel == pytest.approx(one.u_fit_rel, rel=0.02)


def test_twice_as_noisy_corners_are_twice_the_doubt_of_the_scale() -> None:
    points, camera = seen(3, 5.0, 0.0)
    lens = replace(lens_for(camera), u_log_focal=1e-4, u_centre_px=1e-3)
    sharp, soft = (fit_plane(points, SQUARE, u_px=u, lens=lens) for u in (0.2, 0.4))
    assert soft.u_fit_rel == pytest.approx(2 * sharp.u_fit_rel, rel=0.05)


def test_a_square_to_another_and_back_is_where_it_was() -> None:
    there = np.array([[3.0, 4], [120, 9], [99, 80], [5, 77]])
    homography = from_corners(UNIT_SQUARE, there)
    assert mapped(UNIT_SQUARE, homography) == pytest.approx(there, abs=1e-4)
    inside = np.array([[0.3, 0.4], [0.9, 0.1]])
    back = mapped(mapped(inside, homography), from_corners(there, UNIT_SQUARE))
    assert back == pytest.approx(inside, abs=1e-5)


def test_each_kind_of_lens_has_its_share() -> None:
    unknown = lens_of(Photo(name="", sha256="", rgb=np.zeros((3000, 4000, 3), np.uint8)))
    kinds = unknown.each()
    assert sum(share for _, share in kinds) == pytest.approx(1)
    assert len(kinds) == 2
    # 26 and 50 mm on the 43.27 mm diagonal of full frame; this photo's diagonal is 5000 px.
    assert [lens.focal_px for lens, _ in kinds] == pytest.approx(
        [26 * 5000 / 43.27, 50 * 5000 / 43.27]
    )
    assert unknown.any_kind.each() == [(unknown.any_kind, 1.0)]


def test_points_in_another_order_give_the_same_plane() -> None:
    points, camera = seen(4, 12.0, 0.05)
    order = [2, 0, 3, 1]
    one = fit_plane(points, SQUARE, u_px=0.03, lens=lens_for(camera))
    other = fit_plane(points[order], SQUARE[order], u_px=0.03, lens=lens_for(camera))
    assert other.mm_from_px == pytest.approx(one.mm_from_px, abs=1e-6)
