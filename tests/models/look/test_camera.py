"""The recipe's camera: where a cylinder's sides fall, and a smear that moves nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.recipe.look.camera import _smear, make_camera
from vision.width.cylinder import apparent_edges_mm


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
