"""The card: found whatever its print, right within its doubt, and nothing else taken for one."""

import cv2
import numpy as np
import pytest

from rules.errors import PhotoError
from tests.vision.flat_scenes import Camera, camera_over, card_photo, photo_of
from vision.reference.card import finding as card
from vision.reference.card.finding import detect_card
from vision.reference.places import Place
from vision.reference.references import CARD_HEIGHT_MM, CARD_WIDTH_MM
from vision.reference.scale import detect_scale
from vision.types import Photo

SIZE = (800, 600)
ENDS_MM = np.array([[-42.8, 0.0], [42.8, 0.0], [0.0, -26.99], [0.0, 26.99]])


def scene(seed: int, table: str, face: str, **more: object) -> tuple[Photo, Camera]:
    rng = np.random.default_rng(seed)
    camera = camera_over(
        rng,
        height_mm=rng.uniform(170, 250),
        tilt_deg=rng.uniform(0, 22),
        look_at_mm=(rng.uniform(-20, 20), rng.uniform(-12, 12)),
        size_px=SIZE,
    )
    return card_photo(rng, camera, table=table, face=face, **more), camera  # type: ignore[arg-type]


CASES = [
    ("concrete", "white"),
    ("paper", "busy"),
    ("dark", "plain"),
    ("concrete", "dark"),
    ("wood", "white"),
    ("wood", "busy"),
    ("wood", "dark"),
    ("cloth", "stripes"),
]


def test_card_is_found_on_any_table_and_stated_doubt_covers_the_error() -> None:
    scores = []
    for seed, (table, face) in enumerate(CASES):
        photo, camera = scene(seed, table, face)
        scale = detect_scale(photo, "card")
        seen = scale.to_mm(camera.project(ENDS_MM, 0.76))
        long, short = (np.hypot(*(seen[i + 1] - seen[i])) for i in (0, 2))
        error = np.sqrt(long / CARD_WIDTH_MM * short / CARD_HEIGHT_MM) - 1
        assert abs(error) < 0.012, f"{face} card on {table}"
        scores.append(error / scale.u_rel)
    assert np.sqrt(np.mean(np.square(scores))) < 1.6, f"error over doubt: {np.round(scores, 1)}"


def test_outline_has_round_corners_and_lies_on_the_card() -> None:
    photo, camera = scene(3, "dark", "plain")
    outline = detect_card(photo).outline_px
    corners = camera.project(
        np.array([[-42.8, -26.99], [42.8, -26.99], [42.8, 26.99], [-42.8, 26.99]]), 0.76
    )
    nearest = np.hypot(*(corners[:, None] - outline[None]).transpose(2, 0, 1)).min(axis=1)
    px_per_mm = np.hypot(*(corners[1] - corners[0])) / 85.6
    # ISO/IEC 7810: radius 3.18 mm leaves (root 2 - 1) x 3.18 = 1.32 mm at the corner
    assert nearest == pytest.approx(1.32 * px_per_mm, rel=0.35)


@pytest.mark.parametrize(
    ("size_mm", "radius_mm", "what"),
    [
        ((85.0, 55.0), 0.1, "visiting card with square corners"),
        ((85.6, 53.98), 0.3, "paper cut to the size of a card"),
        ((88.9, 63.5), 3.2, "playing card"),
        ((93.0, 93.0), 8.0, "coaster"),
        ((127.0, 76.2), 0.1, "index card"),
        ((100.0, 48.0), 9.0, "small phone"),
    ],
)
def test_other_flat_things_are_not_taken_for_a_card(
    size_mm: tuple[float, float], radius_mm: float, what: str
) -> None:
    table = "wood" if radius_mm > 1 else "dark"
    photo, _ = scene(4, table, "white", size_mm=size_mm, radius_mm=radius_mm)
    with pytest.raises(PhotoError) as caught:
        detect_card(photo)
    assert caught.value.code == "no_reference", what


def test_lines_of_squared_paper_are_not_a_card() -> None:
    # 17 x 11 squares of 5 mm are 85 x 55 mm: right within 2 %, and so is many another box
    rng = np.random.default_rng(6)
    camera = camera_over(rng, height_mm=240, tilt_deg=4, size_px=SIZE)
    light = np.full((SIZE[1], SIZE[0], 3), 0.55, np.float32)
    for at in np.arange(-150.0, 151.0, 5.0):
        for line in ([[at, -150.0], [at, 150.0]], [[-150.0, at], [150.0, at]]):
            start, end = np.round(camera.project(np.array(line)) * 16).astype(int).tolist()
            cv2.line(light, start, end, (0.3, 0.3, 0.33), 1, cv2.LINE_AA, 4)
    with pytest.raises(PhotoError) as caught:
        detect_card(photo_of(light, rng=rng, blur_px=0.8))
    assert caught.value.code == "no_reference"


def test_a_card_with_one_corner_out_of_view_is_measured() -> None:
    photo, camera = scene(1, "dark", "white")
    corners = camera.project(
        np.array([[-42.8, -26.99], [42.8, -26.99], [42.8, 26.99], [-42.8, 26.99]]), 0.76
    )
    left = int(np.sort(corners[:, 0])[0]) + 14
    cut = Photo(name="cut", sha256="", rgb=np.ascontiguousarray(photo.rgb[:, left:]))
    scale = detect_scale(cut, "card")
    seen = scale.to_mm(camera.project(ENDS_MM, 0.76) - np.array([left, 0]))
    assert np.hypot(*(seen[1] - seen[0])) == pytest.approx(85.6, rel=0.01)


def test_a_covered_card_is_refused() -> None:
    photo, _ = scene(2, "wood", "plain", cover_mm=(20.0, -40.0, 60.0, 40.0))
    with pytest.raises(PhotoError) as caught:
        detect_card(photo)
    assert caught.value.code == "no_reference"


def test_a_wire_across_a_corner_does_no_harm() -> None:
    photo, camera = scene(5, "paper", "plain", cover_mm=(-60.0, 22.0, -30.0, 23.5))
    scale = detect_scale(photo, "card")
    seen = scale.to_mm(camera.project(ENDS_MM, 0.76))
    assert np.hypot(*(seen[1] - seen[0])) == pytest.approx(85.6, rel=0.01)


def test_a_far_card_is_refused() -> None:
    rng = np.random.default_rng(0)
    camera = camera_over(rng, height_mm=420, size_px=SIZE)
    photo = card_photo(rng, camera, table="dark", face="white")
    with pytest.raises(PhotoError) as caught:
        detect_card(photo)
    assert caught.value.code in ("reference_too_small", "no_reference")


# -- where the network sees one -----------------------------------------------


def place_of(camera: Camera, half_mm: tuple[float, float] = (42.8, 26.99)) -> Place:
    w, h = half_mm
    corners = camera.project(np.array([[-w, -h], [w, -h], [w, h], [-w, h]]), 0.76)
    (x, y), (right, lower) = corners.min(axis=0), corners.max(axis=0)
    return Place(
        box_px=(float(x), float(y), float(right - x), float(lower - y)),
        centre_px=(float(corners[:, 0].mean()), float(corners[:, 1].mean())),
        area_px=float(cv2.contourArea(corners.astype(np.float32))),
    )


def test_a_second_look_finds_the_sides_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(card, "_cards_among", lambda *_: [])
    for seed, (table, face) in enumerate(CASES[:4]):
        photo, camera = scene(seed, table, face)
        scale = detect_scale(photo, "card", places=[place_of(camera)])
        seen = scale.to_mm(camera.project(ENDS_MM, 0.76))
        assert np.hypot(*(seen[1] - seen[0])) == pytest.approx(85.6, rel=0.012), (table, face)


@pytest.mark.parametrize("size_mm", [(127.0, 76.2), (88.9, 63.5), (100.0, 60.0)])
def test_what_only_the_network_takes_for_a_card_is_none(size_mm: tuple[float, float]) -> None:
    photo, camera = scene(4, "dark", "white", size_mm=size_mm, radius_mm=0.1)
    with pytest.raises(PhotoError) as caught:
        detect_card(photo, places=[place_of(camera, (size_mm[0] / 2, size_mm[1] / 2))])
    assert caught.value.code == "no_reference"


def test_what_is_far_smaller_than_the_reference_seen_is_no_card() -> None:
    # a cell of squared paper, or a window printed on a card, has a card's shape by chance
    photo, camera = scene(0, "concrete", "white")
    seen = place_of(camera)
    x, y, w, h = seen.box_px
    wide = Place(box_px=(x, y, w, h), centre_px=seen.centre_px, area_px=2.5 * seen.area_px)
    assert detect_card(photo, places=[seen]).quality > 0
    with pytest.raises(PhotoError) as caught:
        detect_card(photo, places=[wide])
    assert caught.value.code == "no_reference"


def test_of_edges_near_a_side_the_clear_ones_make_the_card(monkeypatch: pytest.MonkeyPatch) -> None:
    # second look: the tail of a clear edge is an edge too, 0.5 to 1.5 mm beside it
    monkeypatch.setattr(card, "_cards_among", lambda *_: [])
    misses = []
    for table, face in (("concrete", "white"), ("dark", "plain"), ("cloth", "stripes")):
        photo, camera = scene(0, table, face)
        scale = detect_scale(photo, "card", places=[place_of(camera)])
        seen = scale.to_mm(camera.project(ENDS_MM, 0.76))
        misses.append(np.hypot(*(seen[1] - seen[0])) / 85.6 - 1)
    assert np.abs(misses).max() < 0.003


def test_a_blurred_card_is_less_sure() -> None:
    rng = np.random.default_rng(3)
    camera = camera_over(rng, height_mm=200, tilt_deg=5, size_px=SIZE)
    photo = card_photo(rng, camera, table="dark", face="white")
    soft = Photo(name="soft", sha256="", rgb=cv2.GaussianBlur(photo.rgb, (0, 0), 2.0))
    assert detect_scale(soft, "card").u_rel > 1.3 * detect_scale(photo, "card").u_rel
