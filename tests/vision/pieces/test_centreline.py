"""Centre lines against the curves that masks were drawn from."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.vision.drawn_wire import Bent, Straight
from vision.pieces.centreline import centre_line, smoothed


def mask_of(axis: Straight | Bent, width: float, size: tuple[int, int] = (400, 260)) -> np.ndarray:
    x, y = np.meshgrid(np.arange(size[0], dtype=float), np.arange(size[1], dtype=float))
    across, along = axis.across_and_along(x, y)
    return (np.abs(across) <= width / 2) & (np.abs(along) <= axis.length / 2)


@pytest.mark.parametrize("width", [4.0, 10.0, 31.0, 90.0])
@pytest.mark.parametrize(
    "axis",
    [
        Straight(length=320, angle_deg=0, centre=(200, 130)),
        Straight(length=260, angle_deg=37, centre=(200, 130)),
        Bent(length=300, radius=160, centre=(200, 90)),
    ],
)
def test_runs_along_the_middle(axis: Straight | Bent, width: float) -> None:
    line = centre_line(mask_of(axis, width))
    assert line is not None
    across, along = axis.across_and_along(line.points_px[:, 0], line.points_px[:, 1])
    middle = np.abs(along) < axis.length / 2 - width
    assert np.abs(across[middle]).max() < 1.0 + 0.03 * width
    assert line.radius_px == pytest.approx(width / 2, abs=0.6 + 0.08 * width)
    assert np.allclose(np.linalg.norm(line.tangents, axis=1), 1)
    assert np.allclose(np.sum(line.tangents * line.normals, axis=1), 0)


def test_steps_are_even() -> None:
    line = centre_line(mask_of(Bent(length=300, radius=160, centre=(200, 90)), 12), step_px=2.0)
    assert line is not None
    steps = np.linalg.norm(np.diff(line.points_px, axis=0), axis=1)
    assert np.abs(steps - 2.0).max() < 0.05
    assert line.length_px == pytest.approx(300, abs=16)


def test_a_highlight_cut_out_of_the_mask_does_not_split_the_line() -> None:
    axis = Straight(length=320, angle_deg=10, centre=(200, 130))
    whole = mask_of(axis, 40)
    hollow = whole & ~mask_of(Straight(length=260, angle_deg=10, centre=(200, 130)), 12)
    line = centre_line(hollow)
    assert line is not None
    across, _ = axis.across_and_along(line.points_px[:, 0], line.points_px[:, 1])
    assert np.abs(across).max() < 2.5
    assert line.radius_px == pytest.approx(20, abs=3)


def test_the_eye_of_a_loop_stays_open() -> None:
    mask = np.zeros((260, 260), np.uint8)
    cv2.circle(mask, (130, 130), 90, 1, 12)
    line = centre_line(mask > 0)
    assert line is not None
    assert np.abs(np.hypot(*(line.points_px - 130).T) - 90).max() < 3


def test_a_short_branch_does_not_lead_astray() -> None:
    axis = Straight(length=340, angle_deg=0, centre=(200, 130))
    mask = mask_of(axis, 14) | mask_of(Straight(length=60, angle_deg=90, centre=(200, 160)), 10)
    line = centre_line(mask)
    assert line is not None
    assert np.abs(line.points_px[:, 1] - 130).max() < 4
    assert line.length_px > 300


def test_offset_moves_the_line_into_the_photo() -> None:
    mask = mask_of(Straight(length=320, angle_deg=20, centre=(200, 130)), 12)
    here, there = centre_line(mask), centre_line(mask, offset_px=(1000.0, 500.0))
    assert here is not None and there is not None
    assert np.allclose(there.points_px - here.points_px, (1000, 500))


@pytest.mark.parametrize("mask", [np.zeros((20, 20), bool), np.eye(2, dtype=bool)])
def test_nothing_long_gives_no_line(mask: np.ndarray) -> None:
    assert centre_line(mask) is None


def test_smoothing_keeps_a_straight_line_to_its_ends() -> None:
    ramp = np.linspace(3, 9, 50)
    assert np.allclose(smoothed(ramp, 4.0), ramp)
