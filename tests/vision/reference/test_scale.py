"""Scale from flat references: drawn truth, honest doubt, relations, refusals."""

from functools import cache

import cv2
import numpy as np
import pytest

from rules.errors import PhotoError
from tests.vision.drawn_places import places_of
from tests.vision.flat_scenes import Camera, camera_over, card_photo, photo_of
from vision.reference.markers import Marker, marker_bits
from vision.reference.plane import UNIT_SQUARE, Plane
from vision.reference.scale import (
    MAX_RESIDUAL_PX,
    MAX_TILT_DEG,
    _check_agreement,
    _scale_of,
    _sheet_markers,
    detect_scale,
)
from vision.types import FloatArray, Photo, Scale

SIZE = (1200, 900)


def marker_photo(
    seed: int,
    *,
    side_mm: float = 40.0,
    tilt_deg: float = 12.0,
    height_mm: float = 250.0,
    blur_px: float = 1.0,
    paper: float = 0.8,
    table: float = 0.25,
    more: tuple[tuple[int, float, float, float], ...] = (),
) -> tuple[Photo, Camera]:
    """A marker (id 7) at the origin of the table; ``more`` adds (id, side, x, y)."""
    rng = np.random.default_rng(seed)
    camera = camera_over(rng, height_mm=height_mm, tilt_deg=tilt_deg, size_px=SIZE)
    scene = np.full((SIZE[1] * 2, SIZE[0] * 2), table, np.float32)
    for number, side, x, y in ((7, side_mm, 0.0, 0.0), *more):
        draw_marker(scene, camera, number, side, (x, y), paper)
    linear = cv2.resize(scene, SIZE, interpolation=cv2.INTER_AREA)
    return photo_of(np.repeat(linear[..., None], 3, axis=2), rng=rng, blur_px=blur_px), camera


def draw_marker(
    scene: FloatArray,
    camera: Camera,
    number: int,
    side_mm: float,
    at_mm: tuple[float, float],
    paper: float,
) -> None:
    """Paint the marker, centred at ``at_mm``, with one module of white around it."""
    fine = 48
    pattern = np.pad(marker_bits(number), 1, constant_values=255) / 255 * (paper - 0.02) + 0.02
    texture = np.kron(pattern, np.ones((fine, fine))).astype(np.float32)
    step = side_mm / 6 / fine
    edge = -4 * side_mm / 6 + 0.5 * step
    mm_from_texture = np.array([[step, 0, edge + at_mm[0]], [0, step, edge + at_mm[1]], [0, 0, 1]])
    finer = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]])
    matrix = finer @ camera.px_from_mm() @ mm_from_texture
    size = scene.shape[::-1]
    alpha = cv2.warpPerspective(np.ones_like(texture), matrix, size)
    scene *= 1 - alpha
    scene += alpha * cv2.warpPerspective(texture, matrix, size, borderMode=cv2.BORDER_REPLICATE)


def lengths_mm(scale_points: FloatArray) -> float:
    return float(np.hypot(*(scale_points[1] - scale_points[0])))


@cache
def usual_card() -> tuple[Photo, Camera]:
    rng = np.random.default_rng(3)
    camera = camera_over(rng, height_mm=230, tilt_deg=8, size_px=SIZE)
    return card_photo(rng, camera, table="wood", face="stripes"), camera


@pytest.mark.parametrize("seed", range(4))
def test_marker_scale_is_right_on_drawn_truth(seed: int) -> None:
    photo, camera = marker_photo(seed, tilt_deg=7.0 * seed, blur_px=0.6 + 0.4 * seed)
    scale = detect_scale(photo, "marker:40")
    across = scale.to_mm(camera.project(np.array([[-20.0, 0], [20.0, 0]])))
    away = scale.to_mm(camera.project(np.array([[-60.0, 20], [-40.0, 20]])))
    # methods table: own line fit has under 0.05 % bias on drawn markers of 120 px and more
    assert lengths_mm(across) == pytest.approx(40.0, rel=1e-3)
    assert lengths_mm(away) == pytest.approx(20.0, rel=5e-3)
    assert scale.tilt_deg == pytest.approx(7.0 * seed, abs=4.0)
    assert scale.face_height_mm == pytest.approx(0.1)


def test_budget_adds_up_and_names_its_parts() -> None:
    scale = detect_scale(marker_photo(1)[0], "marker:40")
    assert scale.u_rel == pytest.approx(np.sqrt(sum(u**2 for u in scale.budget.values())))
    assert {"edge_fit", "print_scale", "lens_distortion", "face_height"} <= set(scale.budget)
    assert scale.budget["print_scale"] == pytest.approx(0.005)


def test_marker_paper_gives_the_light() -> None:
    scale = detect_scale(marker_photo(1, paper=0.62)[0], "marker:40")
    assert scale.white is not None
    assert scale.white == pytest.approx([0.62] * 3, abs=0.01)


def test_twice_the_stated_side_is_twice_the_scale() -> None:
    photo = marker_photo(2)[0]
    one, two = detect_scale(photo, "marker:40"), detect_scale(photo, "marker:80")
    assert two.mm_per_px == pytest.approx(2 * one.mm_per_px, rel=1e-6)


def test_turning_or_shrinking_the_photo_changes_no_length() -> None:
    photo, camera = marker_photo(5)
    ends = camera.project(np.array([[-20.0, 5], [20.0, 5]]))
    scale = detect_scale(photo, "marker:40")
    turned = Photo(name="t", sha256="", rgb=np.ascontiguousarray(np.rot90(photo.rgb, -1)))
    turned_ends = np.column_stack([photo.height_px - 1 - ends[:, 1], ends[:, 0]])
    small = cv2.resize(photo.rgb, (900, 675), interpolation=cv2.INTER_AREA)
    shrunk_ends = (ends + 0.5) * 0.75 - 0.5
    for other, at in (
        (turned, turned_ends),
        (Photo(name="s", sha256="", rgb=small), shrunk_ends),
    ):
        again = detect_scale(other, "marker:40")
        assert lengths_mm(again.to_mm(at)) == pytest.approx(lengths_mm(scale.to_mm(ends)), rel=1e-3)


def test_camera_height_is_found_within_its_doubt() -> None:
    photo, _ = marker_photo(4, height_mm=250, tilt_deg=3)
    scale = detect_scale(photo, "marker:40")
    assert abs(scale.camera_mm[2] / 250 - 1) < 2 * scale.u_camera_rel


def test_card_scale_is_right_on_drawn_truth() -> None:
    photo, camera = usual_card()
    scale = detect_scale(photo, "card", places=places_of(camera))
    across = scale.to_mm(camera.project(np.array([[-42.8, 0], [42.8, 0]]), 0.76))
    assert lengths_mm(across) == pytest.approx(85.60, rel=3 * scale.u_rel)
    assert scale.face_height_mm == pytest.approx(0.76)


def test_auto_takes_the_card() -> None:
    photo, camera = usual_card()
    assert detect_scale(photo, "auto", places=places_of(camera)).reference == "card"


def test_auto_does_not_guess_the_size_of_a_marker() -> None:
    with pytest.raises(PhotoError) as caught:
        detect_scale(marker_photo(1)[0], "auto")
    assert caught.value.code == "no_reference"
    assert "name it with that size" in caught.value.fix


def test_auto_says_that_a_coin_must_be_named() -> None:
    rng = np.random.default_rng(0)
    photo = photo_of(np.full((*SIZE[::-1], 3), 0.3, np.float32), rng=rng)
    with pytest.raises(PhotoError) as caught:
        detect_scale(photo, "auto")
    assert "must be named" in caught.value.fix


@pytest.mark.parametrize("key", ["auto", "sheet", "card", "marker:40"])
def test_an_empty_table_gives_no_scale(key: str) -> None:
    rng = np.random.default_rng(0)
    photo = photo_of(np.full((*SIZE[::-1], 3), 0.3, np.float32), rng=rng)
    with pytest.raises(PhotoError) as caught:
        detect_scale(photo, key)
    assert caught.value.code == "no_reference"
    assert caught.value.fix


def test_a_small_marker_is_measured_with_more_doubt() -> None:
    photo, camera = marker_photo(2, side_mm=14, tilt_deg=10)
    scale = detect_scale(photo, "marker:14")
    across = scale.to_mm(camera.project(np.array([[-7.0, 0], [7.0, 0]])))
    assert scale.budget["marker_edges"] > 1.5e-3
    assert lengths_mm(across) == pytest.approx(14.0, rel=5e-3)


def test_overexposed_paper_does_not_shrink_the_marker() -> None:
    # paper at 1.6 times what the photo can hold: half of the blurred border is clipped
    for seed in range(3):
        photo, camera = marker_photo(seed, side_mm=20, blur_px=1.2, paper=1.6)
        scale = detect_scale(photo, "marker:20")
        across = scale.to_mm(camera.project(np.array([[-10.0, 0], [10.0, 0]])))
        assert lengths_mm(across) == pytest.approx(20.0, rel=6e-3)


def test_a_tilted_phone_is_refused() -> None:
    with pytest.raises(PhotoError) as caught:
        detect_scale(marker_photo(1, tilt_deg=46)[0], "marker:40")
    assert caught.value.code == "tilt_too_big"


def test_a_far_marker_is_measured_while_it_is_sharp() -> None:
    z = []
    for seed in range(6):
        photo, camera = marker_photo(seed, side_mm=8, blur_px=0.5)
        scale = detect_scale(photo, "marker:8")
        across = scale.to_mm(camera.project(np.array([[-4.0, 0], [4.0, 0]])))
        error = lengths_mm(across) / 8.0 - 1
        assert abs(error) < 0.012
        z.append(error / scale.u_rel)
    assert np.sqrt(np.mean(np.square(z))) < 1.3


def test_a_blurred_small_marker_is_less_sure_then_refused() -> None:
    sharp = detect_scale(marker_photo(2, side_mm=10, blur_px=0.6)[0], "marker:10")
    soft = detect_scale(marker_photo(2, side_mm=10, blur_px=1.3)[0], "marker:10")
    assert soft.budget["marker_blur"] > 3 * sharp.budget["marker_blur"]
    with pytest.raises(PhotoError) as caught:
        detect_scale(marker_photo(2, side_mm=10, blur_px=2.2)[0], "marker:10")
    assert caught.value.code in ("reference_too_small", "no_reference")


def test_a_far_marker_is_refused() -> None:
    with pytest.raises(PhotoError) as caught:
        detect_scale(marker_photo(1, side_mm=5.5)[0], "marker:5.5")
    assert caught.value.code in ("reference_too_small", "no_reference")


def test_markers_of_two_sizes_are_refused() -> None:
    photo, _ = marker_photo(1, more=((9, 30.0, 55.0, 0.0),))
    with pytest.raises(PhotoError) as caught:
        detect_scale(photo, "marker:40")
    assert caught.value.code == "references_disagree"


def test_two_markers_of_one_size_agree() -> None:
    photo, _ = marker_photo(1, more=((9, 40.0, 60.0, 0.0),))
    assert len(detect_scale(photo, "marker:40").outlines_px) == 2


# ----------------------------------------------- what is believed, with planes made by hand


def level(**changed: object) -> Plane:
    """A level plane of 0.1 mm a pixel, 300 mm below the camera."""
    told: dict[str, object] = {
        "mm_from_px": np.diag([0.1, 0.1, 1.0]),
        "mm_per_px": 0.1,
        "u_fit_rel": 0.001,
        "tilt_deg": 3.0,
        "residual_px": 0.1,
        "camera_mm": (40.0, 30.0, 300.0),
        "u_camera_rel": 0.03,
        "focal_px": 3000.0,
        "u_away_rel_per_mm": 1e-5,
        "cost": 1.0,
    }
    return Plane(**(told | changed))  # type: ignore[arg-type]


def believed(plane: Plane, **changed: object) -> Scale:
    told: dict[str, object] = {
        "reference": "marker:40",
        "side_px": 400.0,
        "extent_px": 400.0,
        "residual_px": 0.1,
        "tolerance": {"print_scale": 0.005},
        "outlines": (),
        "face_height_mm": 0.76,
        "u_height_mm": 0.3,
        "white": None,
    }
    return _scale_of(plane, **(told | changed))  # type: ignore[arg-type]


def test_the_budget_of_a_plane_is_worked_out_as_by_hand() -> None:
    scale = believed(level())
    assert scale.budget["edge_fit"] == 0.001
    assert scale.budget["shape"] == pytest.approx(0.1 / 400)
    # Similar triangles: 0.3 mm of height at 300 mm are a thousandth, and 3 % of 0.76 at 300.
    assert scale.budget["face_height"] == pytest.approx(0.001)
    assert scale.budget["focal_length"] == pytest.approx(0.76 / 300 * 0.03)
    assert scale.u_rel == pytest.approx(np.linalg.norm([*scale.budget.values()]))
    assert (scale.mm_per_px, scale.face_height_mm) == (0.1, 0.76)


def test_from_twice_as_high_heights_matter_half_as_much() -> None:
    near = believed(level()).budget
    far = believed(level(camera_mm=(40.0, 30.0, 600.0))).budget
    for part in ("face_height", "focal_length"):
        assert far[part] == pytest.approx(near[part] / 2)


@pytest.mark.parametrize(
    ("plane", "changed", "code"),
    [
        ({"tilt_deg": MAX_TILT_DEG + 0.1}, {}, "tilt_too_big"),
        ({}, {"side_px": 3.0}, "reference_too_small"),
        ({}, {"residual_px": 3.0}, "residual_too_big"),
        ({}, {"residual_px": MAX_RESIDUAL_PX + 0.1, "extent_px": 100.0}, "residual_too_big"),
    ],
)
def test_a_plane_that_can_not_be_trusted_is_refused(
    plane: dict[str, object], changed: dict[str, object], code: str
) -> None:
    with pytest.raises(PhotoError) as fault:
        believed(level(**plane), **changed)
    assert fault.value.code == code and fault.value.fix


def test_a_large_reference_may_miss_by_its_share() -> None:
    # 2.5 thousandths of 1000 px are 2.5 px, of 100 px the half pixel that any may miss by.
    assert believed(level(), residual_px=2.4, extent_px=1000.0).residual_px == 2.4
    assert believed(level(), residual_px=0.45, extent_px=100.0).residual_px == 0.45


def marker(number: int, side_mm: float) -> Marker:
    """A marker of that side on the level plane."""
    return Marker(
        id=number,
        corners_px=UNIT_SQUARE * side_mm / 0.1 + 50.0,
        u_px=0.03,
        edge_rms_px=0.1,
        side_px=side_mm / 0.1,
        blur_px=0.8,
        white=None,
    )


@pytest.mark.parametrize(("side_mm", "agrees"), [(40.0, True), (41.0, True), (43.0, False)])
def test_another_marker_must_be_of_the_same_size_to_four_percent(
    side_mm: float, *, agrees: bool
) -> None:
    if agrees:
        _check_agreement(level(), marker(3, side_mm), 40.0)
    else:
        with pytest.raises(PhotoError) as fault:
            _check_agreement(level(), marker(3, side_mm), 40.0)
        assert fault.value.code == "references_disagree"
        assert "43" in fault.value.message + fault.value.fix


@pytest.mark.parametrize(
    ("ids", "papers"),
    [
        ([40, 41], ["a4"]),
        ([40], []),  # one alone may be anybody's
        ([40, 40], []),  # the same twice is no sheet
        ([44, 46, 47], ["letter"]),
        ([1, 2, 3], []),
    ],
)
def test_two_different_markers_of_a_paper_make_a_sheet(ids: list[int], papers: list[str]) -> None:
    found = _sheet_markers([marker(number, 25.0) for number in ids])
    assert [geometry.paper for geometry, _ in found] == papers
