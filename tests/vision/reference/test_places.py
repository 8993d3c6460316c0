"""Hints of where the reference lies, and that a hint never changes what is measured much."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.vision.flat_scenes import camera_over, card_photo
from vision.finish.surface import load_surface_model, surface_map
from vision.photo.loading import load_photo_file
from vision.reference.card.finding import detect_card
from vision.reference.coin.coins import detect_coins
from vision.reference.places import Place, reference_places
from vision.types import Surface, SurfaceMap

REAL = Path(__file__).parents[3] / "fixtures" / "real" / "coins"
NOWHERE = Place(box_px=(4.0, 4.0, 60.0, 60.0), centre_px=(34.0, 34.0), area_px=2800.0)


def map_of(reference: np.ndarray, *, cell_px: int = 16) -> SurfaceMap:
    """Return what a network that makes no mistakes says of a mask of the reference."""
    h, w = reference.shape
    share = cv2.resize(
        reference.astype(np.float32), (w // cell_px, h // cell_px), interpolation=cv2.INTER_AREA
    )
    p = np.zeros((len(Surface), *share.shape), np.float32)
    p[list(Surface).index(Surface.REFERENCE)] = share
    p[list(Surface).index(Surface.TABLE)] = 1 - share
    nothing = np.zeros_like(share)
    return SurfaceMap(
        p=p,
        tarnish_level=nothing,
        box_px=(0, 0, w, h),
        outline=np.stack([nothing, nothing]),
    )


def test_a_disc_is_placed_and_sized_to_a_fraction_of_a_cell() -> None:
    mask = np.zeros((768, 1024), np.uint8)
    cv2.circle(mask, (411, 305), 90, (1,), -1)
    (place,) = reference_places(map_of(mask))
    assert place.is_round
    assert place.centre_px == pytest.approx((411, 305), abs=1.0)
    assert place.radius_px == pytest.approx(90, rel=0.02)


def test_a_card_is_not_round_and_specks_are_no_places() -> None:
    mask = np.zeros((768, 1024), np.uint8)
    cv2.rectangle(mask, (200, 200), (600, 450), (1,), -1)
    mask[700:716, 900:916] = 1
    (place,) = reference_places(map_of(mask))
    assert not place.is_round
    assert place.box_px == pytest.approx((200, 200, 400, 250), abs=16)


@pytest.mark.parametrize("hint_is_right", [True, False])
def test_a_hint_changes_neither_that_a_card_is_found_nor_its_place(hint_is_right: bool) -> None:
    rng = np.random.default_rng(5)
    camera = camera_over(rng, height_mm=200, tilt_deg=8, look_at_mm=(4, 3), size_px=(800, 600))
    photo = card_photo(rng, camera, table="wood", face="busy")
    plain = detect_card(photo)
    low, high = plain.outline_px.min(axis=0) - 8, plain.outline_px.max(axis=0) + 8
    (x, y), (w, h) = low.tolist(), (high - low).tolist()
    box = (x, y, w, h)
    right = Place(box_px=box, centre_px=(400.0, 300.0), area_px=0.8 * box[2] * box[3])
    hinted = detect_card(photo, places=[right if hint_is_right else NOWHERE])
    assert hinted.plane.mm_per_px == pytest.approx(plain.plane.mm_per_px, rel=2e-3)


def test_the_network_knows_real_coins_that_it_never_saw() -> None:
    """Phone photo of ten euro coins (coins-dataset, J. Beijar, MIT licence)."""
    model = load_surface_model()
    assert model is not None
    photo = load_photo_file(REAL / "euro_mixed_white_9.jpg")
    p = surface_map(photo, model=model).p[list(Surface).index(Surface.REFERENCE)]
    cells = photo.width_px / p.shape[1]
    seen = []
    for one in detect_coins(photo):
        x, y = (int(v / cells) for v in one.centre_px)
        seen.append(p[y, x] > 0.5)
    assert len(seen) >= 7
    assert np.mean(seen) >= 0.7  # all but the worn two-coloured ones


def test_coins_that_touch_are_both_found_on_their_patch() -> None:
    """The same photo: a patch of two coins is no hint of one."""
    photo = load_photo_file(REAL / "euro_mixed_white_9.jpg")
    plain = detect_coins(photo)
    centres = np.array([one.centre_px for one in plain])
    apart = np.linalg.norm(centres[:, None] - centres[None], axis=-1) + 1e6 * np.eye(len(plain))
    pair = [plain[int(n)] for n in np.unravel_index(int(apart.argmin()), apart.shape)]
    outlines = np.concatenate([one.outline_px() for one in pair])
    (x, y), (right, lower) = outlines.min(axis=0), outlines.max(axis=0)
    two = Place(
        box_px=(float(x), float(y), float(right - x), float(lower - y)),
        centre_px=(float((x + right) / 2), float((y + lower) / 2)),
        area_px=sum(np.pi / 4 * one.major_px * one.minor_px for one in pair),
    )
    found = {one.centre_px for one in detect_coins(photo, places=[two])}
    assert {one.centre_px for one in pair} <= found
