"""Sub-pixel edges: drawn truth in linear light, honest doubt, what is refused."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import map_coordinates

from tests.vision.flat_scenes import encode
from vision.photo.colour import linear_between, to_linear
from vision.reference.edges import (
    _robust_line,
    fit_edge,
    intersect,
    profiles_across,
)
from vision.types import FloatArray, Image

SIZE = 160


def half_plane(
    angle_deg: float,
    offset_px: float,
    *,
    blur_px: float = 1.0,
    left: float = 0.7,
    right: float = 0.1,
    noise: float = 0.0,
    seed: int = 0,
) -> tuple[Image, FloatArray, FloatArray]:
    """An edge through the middle at an angle, shifted across; the blur is exact.

    Returns the picture, a point on the true edge and its unit normal (to the left).
    """
    from scipy.special import erf

    angle = np.radians(angle_deg)
    normal = np.array([-np.sin(angle), np.cos(angle)])
    middle = np.array([SIZE / 2, SIZE / 2])
    y, x = np.mgrid[0:SIZE, 0:SIZE]
    distance = (x - middle[0]) * normal[0] + (y - middle[1]) * normal[1] - offset_px
    share = 0.5 * (1 + erf(distance / (np.sqrt(2) * blur_px)))
    code = encode(right + (left - right) * share) * 255
    code = code + np.random.default_rng(seed).normal(0, noise, code.shape)
    rgb = np.repeat(np.clip(code + 0.5, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    return rgb, middle + offset_px * normal, normal


def ends_near(angle_deg: float, shift_px: float) -> tuple[FloatArray, FloatArray]:
    along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    middle = np.array([SIZE / 2, SIZE / 2]) + shift_px * np.array([-along[1], along[0]])
    return middle - 50 * along, middle + 50 * along


def miss_px(line_point: FloatArray, on_edge: FloatArray, normal: FloatArray) -> float:
    return float((line_point - on_edge) @ normal)


@pytest.mark.parametrize("blur_px", [0.7, 1.2, 2.0])
@pytest.mark.parametrize("angle_deg", [0.0, 17.0, 63.0, 121.0])
def test_edge_is_found_to_a_few_hundredths_of_a_pixel(angle_deg: float, blur_px: float) -> None:
    # methods table: gradient centroid per side has 0.025 px corner RMS on drawn markers
    rgb, on_edge, normal = half_plane(angle_deg, 0.37, blur_px=blur_px)
    start, end = ends_near(angle_deg, -1.2)
    line = fit_edge(rgb, start, end, half_width_px=7)
    assert line is not None
    assert miss_px(line.point, on_edge, normal) == pytest.approx(0, abs=0.04)
    assert abs(line.direction @ normal) < 1e-3


def test_edge_does_not_move_with_the_light() -> None:
    """Gamma would shift a blurred edge by 0.15 to 0.4 px; linear light does not."""
    found = []
    for left, right in ((0.9, 0.02), (0.02, 0.9), (0.3, 0.1)):
        rgb, on_edge, normal = half_plane(31, 0.2, blur_px=1.6, left=left, right=right)
        line = fit_edge(rgb, *ends_near(31, 0.0), half_width_px=8)
        assert line is not None
        found.append(miss_px(line.point, on_edge, normal))
    assert np.abs(found).max() < 0.04


def test_stated_uncertainty_covers_the_scatter() -> None:
    rng = np.random.default_rng(5)
    misses, stated = [], []
    for seed in range(60):
        angle, offset = rng.uniform(0, 180), rng.uniform(-0.5, 0.5)
        rgb, on_edge, normal = half_plane(
            angle, offset, left=0.3, right=0.2, noise=4, seed=seed, blur_px=1.3
        )
        line = fit_edge(rgb, *ends_near(angle, rng.uniform(-1, 1)), half_width_px=6)
        assert line is not None
        misses.append(miss_px(line.point, on_edge, normal))
        stated.append(line.u_offset_px)
    ratio = np.sqrt(np.mean(np.square(misses))) / np.sqrt(np.mean(np.square(stated)))
    assert 0.3 < ratio < 1.3, f"scatter over stated is {ratio:.2f}"


def test_a_thing_over_a_third_of_the_edge_does_not_pull_it() -> None:
    rgb, on_edge, normal = half_plane(0.0, 0.3)
    rgb = rgb.copy()
    rgb[60:83, 40:70] = 90
    line = fit_edge(rgb, *ends_near(0.0, 0.0), half_width_px=7)
    assert line is not None
    assert miss_px(line.point, on_edge, normal) == pytest.approx(0, abs=0.06)
    assert line.support < 0.85


def test_no_edge_gives_no_line_or_no_support() -> None:
    rng = np.random.default_rng(1)
    rgb = rng.normal(120, 3, (SIZE, SIZE, 3)).clip(0, 255).astype(np.uint8)
    line = fit_edge(rgb, *ends_near(10, 0.0), half_width_px=7)
    assert line is None or line.support < 0.6
    assert fit_edge(np.full_like(rgb, 90), *ends_near(10, 0.0), half_width_px=7) is None


def test_two_edges_meet_in_their_corner() -> None:
    one, on_one, n1 = half_plane(5.0, 0.25)
    other, on_other, n2 = half_plane(95.0, -0.4)
    a = fit_edge(one, *ends_near(5.0, 0.0), half_width_px=6)
    b = fit_edge(other, *ends_near(95.0, 0.0), half_width_px=6)
    assert a is not None
    assert b is not None
    corner, u = intersect(a, b)
    true = np.linalg.solve(np.stack([n1, n2]), [on_one @ n1, on_other @ n2])
    assert corner == pytest.approx(true, abs=0.06)
    assert 0 < u < 0.1


def test_sampling_decodes_before_it_interpolates() -> None:
    rgb = np.zeros((2, 2, 3), np.uint8)
    rgb[:, 1] = 255
    # IEC 61966-2-1: code 128 is 0.2159 in linear light, and half way from black to
    # white is 0.5, not the light of the half-way code
    half = linear_between(rgb, np.array([[0.5, 0.5]]))
    assert half[0] == pytest.approx([0.5] * 3, abs=1e-6)
    grey = linear_between(np.full((3, 3, 3), 128, np.uint8), np.array([[1.0, 1.0]]))
    assert grey[0] == pytest.approx([0.215861] * 3, abs=1e-5)


def test_places_without_any_edge_bear_no_line_out() -> None:
    # the better half of the points lies on a line, with nothing to be seen there
    s = np.arange(20.0)
    v = np.where(s < 12, 0.0, 5.0 * np.sin(s))
    weight = np.where(s < 12, 0.0, 1.0)
    assert _robust_line(s, v, weight, tolerance_px=0.5) is None
    line = _robust_line(s, np.zeros(20), np.where(s % 2, 1.0, 0.0), tolerance_px=0.5)
    assert line is not None
    assert line[5] == pytest.approx(0.5)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 15.9), st.floats(0, 10.9)), min_size=1, max_size=12))
def test_between_pixels_it_is_scipys_bilinear_value_of_linear_light(
    points: list[tuple[float, float]],
) -> None:
    # scipy.ndimage.map_coordinates of order 1, an independent implementation.
    noise = np.random.default_rng(5).integers(0, 256, (12, 17, 3), dtype=np.uint8)
    at = np.array(points)
    light = to_linear(noise)
    expected = [map_coordinates(light[..., k], at.T[::-1], order=1) for k in range(3)]
    assert linear_between(noise, at) == pytest.approx(np.stack(expected, axis=-1), abs=2e-5)


def test_beyond_the_photo_its_border_goes_on() -> None:
    ramp = np.repeat(np.arange(0, 200, 10, dtype=np.uint8)[None, :, None], 9, axis=0)
    rgb = np.repeat(ramp, 3, axis=2)
    out = linear_between(rgb, np.array([[-50.0, -50.0], [500.0, 500.0]]))
    assert out == pytest.approx(to_linear(rgb)[[0, -1], [0, -1]], abs=1e-3)
    assert linear_between(rgb, np.zeros((0, 2))).shape == (0, 3)


def test_profiles_lie_square_to_the_segment_and_evenly_along_it() -> None:
    # A plane of light: its value tells where each sample lies.
    y, x = np.mgrid[0:120, 0:160]
    codes = np.stack([x, y, np.zeros_like(x)], axis=-1).astype(np.uint8)
    start, end = np.array([40.0, 30.0]), np.array([100.0, 75.0])  # 3, 4, 5: 75 px long
    samples, s, t = profiles_across(codes, start, end, half_width_px=6)
    assert s[0] + s[-1] == pytest.approx(75.0)
    assert np.diff(s) == pytest.approx(s[1] - s[0])
    assert t == pytest.approx(-t[::-1])
    middle = len(t) // 2
    along, left = (end - start) / 75, np.array([-45.0, 60.0]) / 75
    for i, j in ((0, middle), (len(s) - 1, middle), (3, 0), (7, -1)):
        at = start + s[i] * along + t[j] * left
        assert samples[i, j] == pytest.approx(linear_between(codes, at[None])[0], abs=1e-5)


@pytest.mark.parametrize("outliers", [0, 12])
def test_the_line_is_the_true_one_though_a_third_of_its_points_are_strangers(outliers: int) -> None:
    s = np.linspace(0, 90, 36)
    v = 1.5 + 0.02 * (s - 45) + np.random.default_rng(3).normal(0, 0.02, 36)
    v[:outliers] += 3.0
    found = _robust_line(s, v, np.ones(36), tolerance_px=0.3)
    assert found is not None
    offset, slope, u_offset, _, rms, support, middle = found
    assert offset - slope * (middle - 45) == pytest.approx(1.5, abs=0.03)
    assert slope == pytest.approx(0.02, abs=1e-3)
    assert rms == pytest.approx(0.02, abs=0.01)
    assert support == pytest.approx(1 - outliers / 36, abs=0.06)
    assert 0 < u_offset < 0.02


def test_without_strangers_the_line_is_numpys_least_squares() -> None:
    s = np.linspace(0, 90, 40)
    v = 0.3 - 0.01 * s + np.random.default_rng(4).normal(0, 0.01, 40)
    found = _robust_line(s, v, np.ones(40), tolerance_px=0.3)
    assert found is not None
    offset, slope, *_, middle = found
    expected = np.polyfit(s, v, 1)
    assert slope == pytest.approx(expected[0], abs=3e-5)
    assert offset == pytest.approx(np.polyval(expected, middle), abs=2e-3)


def test_the_flatter_two_edges_meet_the_less_sure_their_corner_is() -> None:
    rgb, _, _ = half_plane(0.0, 0.0)
    flat = fit_edge(rgb, *ends_near(0.0, 0.0), half_width_px=7)
    assert flat is not None

    def doubt(angle_deg: float) -> float:
        turn = np.radians(angle_deg)
        other = replace(flat, direction=np.array([np.cos(turn), np.sin(turn)]))
        corner, u = intersect(flat, other)
        assert corner == pytest.approx(flat.point, abs=1e-9)
        return u

    assert doubt(90) < doubt(40) < doubt(15)
    assert doubt(30) == pytest.approx(2 * doubt(90))  # one over the sine of 30 degrees


def test_an_edge_of_the_other_sense_is_not_the_one_that_is_asked_for() -> None:
    rgb, on_edge, normal = half_plane(0.0, 0.4)  # lighter to the left
    grey = np.ones(3) / np.sqrt(3)
    start, end = ends_near(0.0, 0.0)
    same = fit_edge(rgb, start, end, half_width_px=7, toward=grey)
    assert same is not None
    assert miss_px(same.point, on_edge, normal) == pytest.approx(0, abs=0.04)
    assert fit_edge(rgb, start, end, half_width_px=7, toward=-grey) is None
