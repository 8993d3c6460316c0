"""Training windows of the strip network: the camera's geometry they take their truth from."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from models.recipe.look.camera import Camera, make_camera
from models.recipe.strips.pose import pose_of
from models.recipe.strips.windows import UNKNOWN, gathered, windows_in
from vision.types import Surface
from vision.width.strand.strip_look import LOOKS

CARD = np.array([[-42.8, -26.99], [42.8, -26.99], [42.8, 26.99], [-42.8, 26.99]])
"""ISO/IEC 7810 ID-1 without its rounded corners."""


def camera_at(tilt_deg: float, *, seed: int, size: int = 512) -> Camera:
    return make_camera(
        np.random.default_rng(seed),
        size_px=(size, size),
        height_mm=180.0,
        target_mm=np.zeros(2),
        focal_35mm=26.0,
        tilt_deg=tilt_deg,
    )


def card_truth(camera: Camera, *, at: tuple[float, float] = (25.0, 30.0)) -> dict[str, object]:
    outline = np.column_stack([CARD + np.array(at), np.full(4, 0.76)])
    return {
        "tilt_deg": camera.tilt_deg,
        "focal_px": camera.focal_px,
        "principal_point_px": [(camera.width_px - 1) / 2, (camera.height_px - 1) / 2],
        "camera_height_mm": float(camera.origin_mm[2]),
        "references": [
            {
                "key": "card",
                "outline_px": camera.project(outline).tolist(),
                "face_height_mm": 0.76,
            }
        ],
    }


@pytest.mark.parametrize("tilt_deg", [0.0, 8.0, 20.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_cylinder_s_width_follows_from_the_card(tilt_deg: float, seed: int) -> None:
    """Against the projection that renders the photos."""
    camera = camera_at(tilt_deg, seed=seed)
    pose = pose_of(card_truth(camera))
    assert pose is not None
    rng = np.random.default_rng(seed + 10)
    for _ in range(5):
        x, y, turn = *rng.uniform(-40, 40, 2), rng.uniform(0, np.pi)
        along = np.array([np.cos(turn), np.sin(turn), 0])
        axis = np.array([x, y, 1.0])
        seen = camera.project(np.array([axis, axis + along]))
        tangent = (seen[1] - seen[0]) / np.linalg.norm(seen[1] - seen[0])
        # The silhouette stands square to both the axis and the line of sight.
        across = np.cross(along, axis - camera.origin_mm)
        across /= np.linalg.norm(across)
        edges = camera.project(np.array([axis - across, axis + across]))
        expected = abs(np.cross([*tangent, 0], [*(edges[1] - edges[0]), 0])[2])
        scale = pose.px_per_mm_across(seen[:1], tangent[None], z_mm=1.0)[0]
        assert 2 * scale == pytest.approx(expected, rel=0.01)


def test_without_a_reference_there_is_no_pose() -> None:
    truth = card_truth(camera_at(5.0, seed=1)) | {"references": []}
    assert pose_of(truth) is None


@pytest.fixture
def stranded_photo(tmp_path: Path) -> Path:
    """A cable of seven 3 mm strands drawn as seven stripes, from straight above."""
    camera = camera_at(0.0, seed=2)
    truth = card_truth(camera, at=(0.0, 60.0))
    px_mm = camera.focal_px / (camera.origin_mm[2] - 4.5)
    width = 9.0 * px_mm
    y, x = np.mgrid[0:512, 0:512]
    own = (np.abs(y - 150) <= width / 2) & (np.abs(x - 256) < 230)
    stripe = 90 + 60 * np.cos(2 * np.pi * (y - 150) / (3.0 * px_mm))
    rgb = np.where(own[..., None], stripe[..., None] * [1.0, 0.7, 0.5], 220)
    label = np.where(own, list(Surface).index(Surface.BRIGHT), 0)
    cv2.imwrite(str(tmp_path / "t000007_3.jpg"), np.clip(rgb[..., ::-1], 0, 255).astype(np.uint8))
    cv2.imwrite(str(tmp_path / "t000007_3.pieces.png"), own.astype(np.uint8))
    cv2.imwrite(str(tmp_path / "t000007_3.labels.png"), label.astype(np.uint8))
    piece = {
        "id": 1, "form": "stranded", "stated_form": None, "diameter_mm": 9.0,
        "strand_diameter_mm": 3.0, "strands": 7, "pixels": int(own.sum()), "facts": {},
    }  # fmt: skip
    truth |= {"seed": 7, "photo": "t000007_3.jpg", "pieces": [piece]}
    path = tmp_path / "t000007_3.json"
    path.write_text(json.dumps(truth), encoding="utf-8")
    return path


def test_a_strand_s_share_is_of_the_width_the_strip_was_cut_with(stranded_photo: Path) -> None:
    codes, known = windows_in(stranded_photo)
    assert len(codes) == len(known["look"]) > 5
    assert set(known["look"]) == {LOOKS.index("stranded")}
    share = np.exp(known["log_share"])
    assert share[known["kind"] == 0] == pytest.approx(1 / 3, rel=0.12)  # 3 % spread and pixels
    # However wide it was cut: share times cut width is one strand of the photo or its copy.
    assert share * known["width_px"] == pytest.approx(known["strand_px"], rel=1e-4)
    full = known["strand_px"][known["kind"] < 2]
    assert full.max() / full.min() < 1.01
    assert known["strand_px"][known["kind"] == 2].max() < full.min() * 1.01


def test_windows_are_the_same_in_each_run_and_by_any_process(stranded_photo: Path) -> None:
    codes, known = windows_in(stranded_photo)
    store, joined = gathered([stranded_photo], workers=1)
    assert np.array_equal(store[joined["slot"]], codes)
    for name, values in known.items():
        assert np.array_equal(values, joined[name], equal_nan=name != "look")


def test_a_jacket_has_no_strands(stranded_photo: Path) -> None:
    truth = json.loads(stranded_photo.read_text(encoding="utf-8"))
    truth["pieces"][0]["facts"] = {"insulation": True, "stripped": False, "conductor_mm": 7.0}
    stranded_photo.write_text(json.dumps(truth), encoding="utf-8")
    labels = stranded_photo.with_name("t000007_3.labels.png")
    coated = np.asarray(cv2.imread(str(labels), 0)) > 0
    jacket = list(Surface).index(Surface.INSULATION)
    cv2.imwrite(str(labels), np.where(coated, jacket, 0).astype(np.uint8))
    _, known = windows_in(stranded_photo)
    assert set(known["look"]) == {LOOKS.index("jacket")}
    assert np.isnan(known["log_share"]).all()


def test_two_wires_side_by_side_look_like_turns_and_each_like_wire(stranded_photo: Path) -> None:
    truth = json.loads(stranded_photo.read_text(encoding="utf-8"))
    one = truth["pieces"][0] | {
        "form": "wire", "diameter_mm": 4.5, "strand_diameter_mm": 4.5, "strands": 1,
        "facts": {"side_by_side": True},
    }  # fmt: skip
    truth["pieces"] = [one, one | {"id": 2}]
    stranded_photo.write_text(json.dumps(truth), encoding="utf-8")
    numbers = stranded_photo.with_name("t000007_3.pieces.png")
    own = np.asarray(cv2.imread(str(numbers), 0)) > 0
    low = np.arange(512)[:, None] >= 150
    cv2.imwrite(str(numbers), np.where(own, 1 + low, 0).astype(np.uint8))
    _, known = windows_in(stranded_photo)
    for number, look in ((1, "solid"), (2, "solid"), (101, "wound")):
        told = known["look"][known["piece"] == number]
        assert set(told) == {LOOKS.index(look)}, number
    # Apart they are no pair.
    apart = np.where(own & (np.abs(np.arange(512)[:, None] - 150) > 3), 1 + low, 0)
    cv2.imwrite(str(numbers), apart.astype(np.uint8))
    _, known = windows_in(stranded_photo)
    assert set(known["piece"]) == {1, 2}


def test_a_strip_led_astray_teaches_nothing(stranded_photo: Path) -> None:
    truth = json.loads(stranded_photo.read_text(encoding="utf-8"))
    truth["pieces"][0]["diameter_mm"] = 18.0  # twice as wide as what the mask shows
    stranded_photo.write_text(json.dumps(truth), encoding="utf-8")
    _, known = windows_in(stranded_photo)
    assert set(known["look"]) == {UNKNOWN}
