"""Markers: corners to hundredths of a pixel, and nothing else taken for one."""

import cv2
import numpy as np
import pytest

from tests.vision.flat_scenes import photo_of
from tests.vision.reference.test_scale import marker_photo
from vision.reference.markers import (
    detect_markers,
    has_large_markers,
    marker_bits,
    mixed_cells,
    outward,
    paper_white,
    pattern_correlation,
    robust_white,
    white_spread,
)
from vision.types import Photo


def drawn(dictionary: int, number: int, side_px: int, *, modules: int) -> Photo:
    """A marker of any dictionary on white paper on a grey table, level and blurred."""
    pattern = np.zeros((modules, modules), np.uint8)
    cv2.aruco.generateImageMarker(
        cv2.aruco.getPredefinedDictionary(dictionary), number, modules, pattern, 1
    )
    square = cv2.resize(pattern, (side_px, side_px), interpolation=cv2.INTER_NEAREST)
    light = np.full((480, 640), 0.22, np.float32)
    light[60:420, 100:460] = 0.75
    light[100 : 100 + side_px, 140 : 140 + side_px] = np.where(square > 0, 0.75, 0.01)
    return photo_of(np.repeat(light[..., None], 3, axis=2), rng=np.random.default_rng(0))


def test_corner_scatter_is_that_of_the_method_and_is_stated() -> None:
    misses, stated = [], []
    for seed in range(5):
        photo, camera = marker_photo(seed, tilt_deg=5.0 * seed, blur_px=0.8)
        (marker,) = detect_markers(photo)
        true = camera.project(np.array([[-20.0, -20], [20, -20], [20, 20], [-20, 20]]))
        misses.append(marker.corners_px - true)
        stated.append(marker.u_px)
    rms = float(np.sqrt(np.mean(np.square(misses))))
    # methods table: 0.025 px RMS for gradient centroid and line fit per side
    assert rms < 0.05
    assert rms < 1.5 * float(np.mean(stated))


@pytest.mark.parametrize("turn", range(4))
def test_corners_start_at_the_markers_own_upper_left(turn: int) -> None:
    photo = drawn(cv2.aruco.DICT_4X4_50, 11, 240, modules=6)
    rgb = np.ascontiguousarray(np.rot90(photo.rgb, turn))
    (marker,) = detect_markers(Photo(name="r", sha256="", rgb=rgb))
    corner = np.array([139.5, 99.5])
    for _ in range(turn):
        corner = np.array([corner[1], photo.width_px - 1 - corner[0]])
        photo = Photo(name="r", sha256="", rgb=np.rot90(photo.rgb))
    assert marker.id == 11
    assert marker.corners_px[0] == pytest.approx(corner, abs=0.1)


@pytest.mark.parametrize(
    ("dictionary", "modules"),
    [
        (cv2.aruco.DICT_5X5_50, 7),
        (cv2.aruco.DICT_6X6_250, 8),
        (cv2.aruco.DICT_7X7_50, 9),
        (cv2.aruco.DICT_APRILTAG_36h11, 8),
    ],
)
def test_markers_of_other_families_are_not_taken(dictionary: int, modules: int) -> None:
    for number in range(6):
        assert detect_markers(drawn(dictionary, number, 252, modules=modules)) == ()


def test_marker_with_a_covered_corner_is_not_taken_or_is_right() -> None:
    photo = drawn(cv2.aruco.DICT_4X4_50, 11, 240, modules=6)
    rgb = photo.rgb.copy()
    rgb[300:, 330:] = (150, 90, 60)
    found = detect_markers(Photo(name="c", sha256="", rgb=rgb))
    for marker in found:
        assert marker.corners_px[0] == pytest.approx([139.5, 99.5], abs=0.2)


def test_largest_marker_comes_first() -> None:
    photo, _ = marker_photo(1, more=((9, 20.0, 60.0, 0.0),))
    markers = detect_markers(photo)
    assert [marker.id for marker in markers] == [7, 9]


def test_bits_are_those_of_the_dictionary() -> None:
    bits = marker_bits(0)
    assert bits.shape == (6, 6)
    assert bits[0].max() == 0
    # DICT_4X4_50 id 0 is the bytes 181, 50 in OpenCV's predefined table (from memory)
    assert (bits[1:5, 1:5] > 0).astype(int).tolist() == [
        [1, 0, 1, 1],
        [0, 1, 0, 1],
        [0, 0, 1, 1],
        [0, 0, 1, 0],
    ]


def test_white_ignores_shadow_and_refuses_clipping() -> None:
    rng = np.random.default_rng(0)
    lit = rng.normal((0.7, 0.6, 0.5), 0.01, (300, 3)).astype(np.float32)
    shadow = lit[:100] * 0.5
    white = robust_white(np.concatenate([lit, shadow]))
    assert white == pytest.approx([0.7, 0.6, 0.5], abs=0.01)
    assert robust_white(np.ones((300, 3), np.float32)) is None


@pytest.mark.parametrize(("side_px", "seen"), [(240, True), (72, True), (12, False)])
def test_a_glance_sees_markers_of_some_size(side_px: int, seen: bool) -> None:
    photo = drawn(cv2.aruco.DICT_4X4_50, 11, side_px, modules=6)
    large = cv2.resize(photo.rgb, (1280, 960), interpolation=cv2.INTER_LINEAR)
    assert has_large_markers(Photo(name="x", sha256="", rgb=large)) is seen


@pytest.mark.parametrize("noise", [16.0, 30.0])
def test_noise_in_the_white_does_not_draw_a_large_marker_in(noise: float) -> None:
    # Modules of 50 px; true side by how it is drawn. Noise of light grows with light, so
    # white carries more of it than black.
    clean = drawn(cv2.aruco.DICT_4X4_50, 11, 300, modules=6).rgb.astype(float)
    rng = np.random.default_rng(3)
    rgb = clean + rng.normal(0, 1, clean.shape) * noise * np.sqrt(clean / 255)
    photo = Photo(name="n", sha256="", rgb=np.clip(rgb + 0.5, 0, 255).astype(np.uint8))
    (marker,) = detect_markers(photo)
    assert marker.side_px == pytest.approx(300.0, rel=5e-4)


def test_a_black_square_is_no_marker() -> None:
    rgb = np.full((480, 640, 3), 120, np.uint8)
    rgb[60:420, 100:460] = 220
    rgb[120:360, 160:400] = 20
    assert detect_markers(Photo(name="s", sha256="", rgb=rgb)) == ()
    rgb[200:280, 240:320] = 220  # a white window in it
    assert detect_markers(Photo(name="s", sha256="", rgb=rgb)) == ()


SQUARE = np.array([[139.5, 99.5], [299.5, 99.5], [299.5, 259.5], [139.5, 259.5]])


@pytest.mark.parametrize("turn", range(4))
def test_a_marker_looks_like_itself_and_not_like_itself_turned(turn: int) -> None:
    rgb = drawn(cv2.aruco.DICT_4X4_50, 7, 160, modules=6).rgb
    alike = pattern_correlation(rgb, np.roll(SQUARE, turn, axis=0), 7)
    assert (alike > 0.95) is (turn == 0)
    assert pattern_correlation(rgb, SQUARE, 8) < 0.9


def test_a_clean_square_has_few_mixed_cells_and_one_half_a_module_off_many() -> None:
    rgb = drawn(cv2.aruco.DICT_4X4_50, 7, 160, modules=6).rgb
    assert mixed_cells(rgb, SQUARE) < 0.05
    assert mixed_cells(rgb, SQUARE + 160 / 12) > 0.3


@pytest.mark.parametrize("modules", [1.0, -0.5])
def test_a_square_grows_by_so_many_modules_on_every_side(modules: float) -> None:
    grown = outward(SQUARE, modules)
    assert np.ptp(grown, axis=0) == pytest.approx(np.full(2, 160 * (6 + 2 * modules) / 6))
    assert grown.mean(axis=0) == pytest.approx(SQUARE.mean(axis=0))


def test_a_tilted_square_grows_along_its_own_plane_and_shrinks_back() -> None:
    # Seen from an angle by a projection: 1 of 6 modules out on each side is 6/8 of one back.
    tilted = np.array([[100.0, 100], [300, 130], [280, 260], [90, 240]])
    grown = outward(tilted, 1.0)
    assert outward(grown, -6 / 8) == pytest.approx(tilted, abs=1e-3)
    middle = tilted.mean(axis=0)
    assert (np.hypot(*(grown - middle).T) > np.hypot(*(tilted - middle).T)).all()


def test_the_paper_s_light_is_told_where_it_is_not_burnt_out() -> None:
    rgb = drawn(cv2.aruco.DICT_4X4_50, 7, 160, modules=6).rgb
    white = paper_white(rgb, SQUARE)
    assert white == pytest.approx([0.75] * 3, rel=0.02)
    assert paper_white(np.where(rgb > 150, np.uint8(255), rgb), SQUARE) is None


def test_sharp_black_and_white_have_not_spread() -> None:
    rgb = drawn(cv2.aruco.DICT_4X4_50, 7, 240, modules=6).rgb
    square = SQUARE[0] + np.array([[0, 0], [240, 0], [240, 240], [0, 240.0]])
    spread, u = white_spread(rgb, square, 7, blur_px=0.8)
    assert abs(spread) < max(4 * u, 0.01)


@pytest.mark.parametrize("grown_px", [2.0, 4.0])
def test_white_that_ran_over_black_is_told_in_modules(grown_px: float) -> None:
    # Every white part grown by so many pixels, of modules of 40 px, and the outer square with it.
    clean = drawn(cv2.aruco.DICT_4X4_50, 7, 240, modules=6).rgb
    size = 2 * int(grown_px) + 1
    rgb = cv2.dilate(clean, np.ones((size, size), np.uint8))
    inner = SQUARE[0] + np.array([[1, 1], [-1, 1], [-1, -1], [1, -1]]) * grown_px
    inner = inner + np.array([[0, 0], [240, 0], [240, 240], [0, 240.0]])
    spread, u = white_spread(rgb, inner, 7, blur_px=0.8)
    assert spread == pytest.approx(grown_px / 40, rel=0.05)
    assert u < 1e-3, "all borders tell the same"
