"""The card: found whatever its print, right within its doubt, and nothing else taken for one."""

import cv2
import numpy as np
import pytest

from rules.errors import PhotoError
from tests.vision.drawn_places import map_of, places_of
from tests.vision.flat_scenes import Camera, camera_over, card_photo, photo_of
from vision.reference.card.finding import detect_card
from vision.reference.places import reference_places
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
        scale = detect_scale(photo, "card", places=places_of(camera))
        seen = scale.to_mm(camera.project(ENDS_MM, 0.76))
        long, short = (np.hypot(*(seen[i + 1] - seen[i])) for i in (0, 2))
        error = np.sqrt(long / CARD_WIDTH_MM * short / CARD_HEIGHT_MM) - 1
        assert abs(error) < 0.012, f"{face} card on {table}"
        scores.append(error / scale.u_rel)
    assert np.sqrt(np.mean(np.square(scores))) < 1.6, f"error over doubt: {np.round(scores, 1)}"


def test_outline_has_round_corners_and_lies_on_the_card() -> None:
    photo, camera = scene(3, "dark", "plain")
    outline = detect_card(photo, places=places_of(camera)).outline_px
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
    photo, camera = scene(4, table, "white", size_mm=size_mm, radius_mm=radius_mm)
    with pytest.raises(PhotoError) as caught:
        detect_card(photo, places=places_of(camera, size_mm))
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
        detect_card(photo_of(light, rng=rng, blur_px=0.8), places=places_of(camera, (85.0, 55.0)))
    assert caught.value.code == "no_reference"


def test_a_card_with_one_corner_out_of_view_is_measured() -> None:
    photo, camera = scene(1, "dark", "white")
    corners = camera.project(
        np.array([[-42.8, -26.99], [42.8, -26.99], [42.8, 26.99], [-42.8, 26.99]]), 0.76
    )
    left = int(np.sort(corners[:, 0])[0]) + 14
    cut = Photo(name="cut", sha256="", rgb=np.ascontiguousarray(photo.rgb[:, left:]))
    mask = np.zeros(cut.rgb.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.round(corners - np.array([left, 0])).astype(np.int32), (1,))
    scale = detect_scale(cut, "card", places=reference_places(map_of(mask, cell_px=8)))
    seen = scale.to_mm(camera.project(ENDS_MM, 0.76) - np.array([left, 0]))
    assert np.hypot(*(seen[1] - seen[0])) == pytest.approx(85.6, rel=0.01)


def test_a_covered_card_is_refused() -> None:
    photo, camera = scene(2, "wood", "plain", cover_mm=(20.0, -40.0, 60.0, 40.0))
    with pytest.raises(PhotoError) as caught:
        detect_card(photo, places=places_of(camera))
    assert caught.value.code == "no_reference"


def test_a_wire_across_a_corner_does_no_harm() -> None:
    photo, camera = scene(5, "paper", "plain", cover_mm=(-60.0, 22.0, -30.0, 23.5))
    scale = detect_scale(photo, "card", places=places_of(camera))
    seen = scale.to_mm(camera.project(ENDS_MM, 0.76))
    assert np.hypot(*(seen[1] - seen[0])) == pytest.approx(85.6, rel=0.01)


def test_a_far_card_is_refused() -> None:
    rng = np.random.default_rng(0)
    camera = camera_over(rng, height_mm=420, size_px=SIZE)
    photo = card_photo(rng, camera, table="dark", face="white")
    with pytest.raises(PhotoError) as caught:
        detect_card(photo, places=places_of(camera))
    assert caught.value.code in ("reference_too_small", "no_reference")


def test_white_cards_on_white_paper_are_found() -> None:
    """What is advised most: nothing but a faint shadow line tells them apart."""
    found = 0
    for seed in range(8):
        rng = np.random.default_rng([7, seed])
        camera = camera_over(
            rng, height_mm=190, tilt_deg=float(rng.uniform(0, 12)), size_px=(1200, 900)
        )
        shadow = float(rng.uniform(0.06, 0.2))
        photo = card_photo(rng, camera, table="paper", face="white", shadow=shadow)
        try:
            scale = detect_scale(photo, "card", places=places_of(camera))
        except PhotoError:
            continue
        found += 1
        seen = scale.to_mm(camera.project(ENDS_MM, 0.76))
        assert np.hypot(*(seen[1] - seen[0])) == pytest.approx(85.6, rel=0.012)
    assert found >= 6


def test_a_patch_on_a_bare_table_is_no_card() -> None:
    for table in ("paper", "wood", "concrete", "cloth"):
        photo, camera = scene(4, table, "white", size_mm=(1.0, 1.0), radius_mm=0.3)
        with pytest.raises(PhotoError) as caught:
            detect_card(photo, places=places_of(camera))
        assert caught.value.code == "no_reference"


def test_a_blurred_card_is_less_sure() -> None:
    rng = np.random.default_rng(3)
    camera = camera_over(rng, height_mm=200, tilt_deg=5, size_px=SIZE)
    photo = card_photo(rng, camera, table="dark", face="white")
    soft = Photo(name="soft", sha256="", rgb=cv2.GaussianBlur(photo.rgb, (0, 0), 2.0))
    where = places_of(camera)
    sharp_u, soft_u = (detect_scale(one, "card", places=where).u_rel for one in (photo, soft))
    assert soft_u > 1.3 * sharp_u
