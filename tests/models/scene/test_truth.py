"""What is written down of a render, against plane geometry and hand-made label maps."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from models.recipe.look import finishes as fin
from models.recipe.look.camera import Camera, make_camera
from models.recipe.render import write_numbers
from models.recipe.scene import assembly, truth
from models.recipe.scene.assembly import STRANGERS_FROM, Scene
from models.recipe.scene.rendering import Truth


def scene_of(rng: np.random.Generator, *, clutter_count: int = 0) -> Scene:
    return assembly.build(rng, half_mm=(90, 70), kinds=["wire"], finishes=["bright"],
                          table="white_paper", reference="none",
                          clutter_count=clutter_count)  # fmt: skip


def camera_of(*, height_mm: float, tilt_deg: float = 0.0) -> Camera:
    return make_camera(np.random.default_rng(3), size_px=(400, 300), height_mm=height_mm,
                       target_mm=np.zeros(2), focal_35mm=26, tilt_deg=tilt_deg)  # fmt: skip


def seen_by(camera: Camera, blocks: dict[int, tuple[slice, slice, int]]) -> Truth:
    _, _, width, height = camera.window
    label, piece = (np.zeros((height, width), np.uint8) for _ in range(2))
    for number, (rows, columns, surface) in blocks.items():
        label[rows, columns], piece[rows, columns] = surface, number
    return Truth(label=label, piece=piece, level=np.zeros_like(label))


def described(scene: Scene, camera: Camera, seen: Truth) -> dict:
    return truth.describe(scene, camera, seen, photo="x.jpg", split="train", seed=0,
                          light="window", white_linear=np.full(3, 0.8), mix="advised")  # fmt: skip


@pytest.mark.parametrize("diameter_mm", [1.0, 4.0, 22.0])
def test_sides_of_a_round_run_stand_where_rays_touch_it(diameter_mm: float) -> None:
    # A cylinder whose axis crosses the view at distance D shows 2 f tan(asin(r / D)): the
    # tangents from a point to a circle (Euclid III.17), on a picture plane at f.
    camera = camera_of(height_mm=200)
    axis = np.column_stack([np.linspace(-20, 20, 41), np.zeros(41), np.full(41, diameter_mm / 2)])
    limbs = camera.limbs(axis, diameter_mm=diameter_mm)[20]
    away = 200 - diameter_mm / 2
    wanted = 2 * camera.focal_px * np.tan(np.arcsin(diameter_mm / 2 / away))
    assert np.hypot(*(limbs[:2] - limbs[2:])) == pytest.approx(wanted, rel=1e-3)


def test_presence_share_and_shine_are_counted_from_what_shows() -> None:
    rng = np.random.default_rng(4)
    camera = camera_of(height_mm=200)
    seen = seen_by(camera, {1: (slice(0, 100), slice(0, 100), fin.BRIGHT)})
    seen.label[:100, :25] = fin.INSULATION
    seen.label[:100, 25:40] = fin.TARNISHED
    told = described(scene_of(rng), camera, seen)
    json.dumps(told)
    piece = told["pieces"][0]
    assert piece["seen"]["insulation"] == {"present": True, "share": 0.25}
    assert piece["seen"]["coating"] == {"present": False, "share": 0.0}
    assert piece["shine_share"] == pytest.approx(60 / 75)
    assert piece["shares"]["bright"] == pytest.approx(0.8), "of the metal, jacket left out"
    assert (piece["other_metal"], piece["not_metal"]) == (False, False)
    assert told["mix"] == "advised"


def test_strangers_are_told_apart_from_pieces(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    scene = scene_of(rng, clutter_count=6)
    assert len(scene.strangers) >= 2
    numbers = np.unique(scene.face_piece)
    assert set(numbers[numbers >= STRANGERS_FROM]) == {
        STRANGERS_FROM + k for k in range(len(scene.strangers))
    }
    camera = camera_of(height_mm=200)
    seen = seen_by(camera, {
        1: (slice(0, 50), slice(0, 50), fin.BRIGHT),
        STRANGERS_FROM: (slice(100, 150), slice(0, 50), fin.STRANGER),
        STRANGERS_FROM + 1: (slice(100, 150), slice(100, 150), fin.OTHER),
    })  # fmt: skip
    told = described(scene, camera, seen)
    assert [p["id"] for p in told["pieces"]] == [1]
    first, second = told["strangers"]
    assert first["box_px"] == [0, 100, 50, 50]
    coin = first["what"] == "loose_coin"
    assert (first["other_metal"], first["not_metal"]) == (coin, not coin)
    assert (second["other_metal"], second["not_metal"]) == (True, False)
    write_numbers(tmp_path, "x", seen)
    pieces, strangers = (
        np.asarray(cv2.imread(str(tmp_path / f"x.{of}.png"), cv2.IMREAD_UNCHANGED))
        for of in ("pieces", "strangers")
    )
    assert set(np.unique(pieces)) == {0, 1}
    assert set(np.unique(strangers)) == {0, first["id"], second["id"]}
    assert (pieces > 0).sum() == 2500


def test_shares_add_up_to_one() -> None:
    label = np.random.default_rng(1).integers(0, 10, 5000).astype(np.uint8)
    assert sum(truth.shares(label).values()) == pytest.approx(1.0)
    assert sum(truth.shares(np.zeros(4, np.uint8)).values()) == 0.0
