"""Ends and shading of drawn pieces, against their geometry."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.pieces.roundness import as_rectangle, end_bulge, shading
from vision.types import Photo, Region


def with_ends(sagitta: float, *, slant: float = 0.0, turn_deg: float = 0.0) -> np.ndarray:
    """A piece 300 x 100 px whose ends are parabolas of this sagitta over the width."""
    t = np.linspace(-1, 1, 41)
    far = 150 + 100 * sagitta * (1 - t**2)
    right = np.column_stack([far + slant * 50 * t, 50 * t])
    left = np.column_stack([-far + slant * 50 * t, 50 * t])[::-1]
    turn = np.radians(turn_deg)
    rotation = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    points = np.concatenate([right, left]) @ rotation + 250
    mask = np.zeros((500, 500), np.uint8)
    cv2.fillPoly(mask, [np.round(points * 16).astype(np.int32)], (1,), shift=4)
    return mask.astype(bool)


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 77.0])
@pytest.mark.parametrize("sagitta", [0.0, 0.05, 0.12, -0.06])
def test_an_end_bulges_as_drawn_at_any_turn(sagitta: float, turn_deg: float) -> None:
    assert end_bulge(with_ends(sagitta, turn_deg=turn_deg)) == pytest.approx(sagitta, abs=0.012)


def test_a_slanted_straight_cut_does_not_bulge() -> None:
    assert end_bulge(with_ends(0.0, slant=0.3)) == pytest.approx(0.0, abs=0.02)


def lit(profile: np.ndarray, rows: int = 200) -> np.ndarray:
    rng = np.random.default_rng(3)
    light = np.repeat(np.tile(profile, (rows, 1))[..., None], 3, axis=2)
    return (light * rng.normal(1, 0.03, (rows, 1, 1))).astype(np.float32)


def test_lamberts_cosine_on_a_cylinder_shades_and_a_sheet_does_not() -> None:
    across = np.linspace(-0.5, 0.5, 61)
    cosine = np.sqrt(np.maximum(1 - (2 * across) ** 2, 0))
    sheet = np.exp(0.8 * across)  # a lamp at one side
    assert shading(lit(0.4 * cosine), width_px=60) == pytest.approx(
        # log of the cosine over the middle 80 %; symmetric, so it has no slope
        np.log(cosine[np.abs(across) <= 0.4]).std(), rel=0.1,
    )  # fmt: skip
    assert shading(lit(0.4 * sheet), width_px=60) < 0.01


def test_a_rectangle_is_laid_out_along_its_long_side() -> None:
    mask = with_ends(0.0, turn_deg=30)
    ys, xs = np.nonzero(mask)
    y, x = ys.min(), xs.min()
    own = mask[y : ys.max() + 1, x : xs.max() + 1]
    outline = cv2.findContours(own.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]
    region = Region(
        box_px=(int(x), int(y), own.shape[1], own.shape[0]),
        mask=own,
        outline_px=outline[0][:, 0].astype(float) + (x, y),
        score=1.0,
    )
    gy, gx = np.mgrid[:500, :500] - 250
    turn = np.radians(30)
    along = gx * np.cos(turn) - gy * np.sin(turn)
    rgb = np.repeat(np.clip(128 + 0.5 * along, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    light, width_px = as_rectangle(Photo(name="", sha256="0" * 64, rgb=rgb), region)
    assert light.shape[0] / width_px == pytest.approx(3.0, rel=0.05)
    mean = light.mean(axis=(1, 2))
    assert np.all(np.diff(mean) > 0) or np.all(np.diff(mean) < 0)
    assert shading(light, width_px=width_px) < 0.02
