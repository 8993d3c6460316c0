"""The recipe's camera: where a cylinder's sides fall, and a smear that moves nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.recipe.look import camera
from models.recipe.look.camera import _smear, make_camera
from tests.vision.drawn_wire import apparent_edges_mm


@pytest.mark.parametrize("off_mm", [0.0, 60.0, -90.0])
def test_the_sides_of_a_cylinder_are_those_of_the_exact_formula(off_mm: float) -> None:
    # vision.width.cylinder, which its own tests hold against published values.
    rng = np.random.default_rng(1)
    camera = make_camera(rng, size_px=(1600, 1200), height_mm=240.0, target_mm=np.zeros(2),
                         focal_35mm=26.0, tilt_deg=0.0)  # fmt: skip
    diameter = 12.7
    axis = np.column_stack([np.linspace(-40, 40, 9), np.full(9, off_mm), np.full(9, diameter / 2)])
    limbs = camera.limbs(axis, diameter_mm=diameter)
    expected = apparent_edges_mm(diameter, axis_mm=off_mm, camera_height_mm=240.0)
    found = np.sort([camera.on_plane(limbs[:, k : k + 2])[4, 1] for k in (0, 2)])
    assert found == pytest.approx(sorted(expected), abs=1e-6)


def test_the_window_moves_the_sides_with_it() -> None:
    camera = make_camera(np.random.default_rng(2), size_px=(1600, 1200), height_mm=200.0,
                         target_mm=np.zeros(2), focal_35mm=26.0, tilt_deg=12.0)  # fmt: skip
    axis = np.column_stack([np.linspace(-20, 20, 5), np.zeros(5), np.ones(5)])
    whole = camera.limbs(axis, diameter_mm=2.0)
    part = replace(camera, window=(100, 50, 512, 512)).limbs(axis, diameter_mm=2.0)
    assert whole - part == pytest.approx(np.tile([100.0, 50, 100, 50], (5, 1)))


@pytest.mark.parametrize(("length_px", "angle"), [(2.0, 0.3), (5.5, 1.9), (8.0, 3.0)])
def test_a_smear_leaves_the_middle_where_it_was(length_px: float, angle: float) -> None:
    # By symmetry; its spread along the way is that of an even line, length / sqrt(12).
    kernel = _smear(length_px, angle).astype(float)
    half = len(kernel) // 2
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    assert kernel.sum() == pytest.approx(1)
    assert [(kernel * x).sum(), (kernel * y).sum()] == pytest.approx([0, 0], abs=1e-6)
    along = x * np.cos(angle) + y * np.sin(angle)
    spread = np.sqrt((kernel * along**2).sum())
    assert spread == pytest.approx(length_px / np.sqrt(12), abs=0.35)


def test_camera_projection_and_its_inverse_agree() -> None:
    rng = np.random.default_rng(5)
    camera = make_camera(
        rng,
        size_px=(1600, 1200),
        height_mm=250,
        target_mm=np.zeros(2),
        focal_35mm=26,
        tilt_deg=18,
    )
    pixels = rng.uniform(0, 1200, (20, 2))
    table = camera.on_plane(pixels)
    back = camera.project(np.column_stack([table, np.zeros(20)]))
    assert np.allclose(back, pixels, atol=1e-6)
    angle = np.degrees(np.arccos(-camera.forward[2]))
    assert angle == pytest.approx(18)


def _white_of(seed: int, *, gentle: bool) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng([49, seed])
    eye = camera.make_camera(
        rng, size_px=(96, 64), height_mm=200, target_mm=np.zeros(2), focal_35mm=26, tilt_deg=0
    )
    white = np.full((64, 96, 3), 0.8, np.float32)  # white paper in a light of irradiance pi
    photo, matte = camera.develop(
        white,
        rng=rng,
        camera=eye,
        irradiance=np.full(3, np.pi),
        scene_albedo=0.8,
        gentle=gentle,
    )
    return photo, matte


def test_white_paper_burns_out_in_many_photos_and_in_no_gentle_one() -> None:
    # Common practice, no source: phones show paper as white, and often past white.
    usual = [np.median(_white_of(k, gentle=False)[0]) for k in range(60)]
    good = [np.median(_white_of(k, gentle=True)[0]) for k in range(30)]
    assert np.mean(np.array(usual) > 245) > 0.1
    assert np.mean(np.array(usual) < 90) > 0.02
    assert max(good) < 240
    assert _white_of(3, gentle=False)[0].tobytes() == _white_of(3, gentle=False)[0].tobytes()
