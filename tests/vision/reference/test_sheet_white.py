"""The light's colour off the printed sheet, drawn flat at 4 px a mm with known codes."""

from __future__ import annotations

import numpy as np
import pytest

from vision.reference.sheet import SheetGeometry, sheet_geometry
from vision.reference.sheet_white import sheet_white
from vision.types import FloatArray, Image

PX_PER_MM = 4.0
A4 = sheet_geometry("a4")


def drawn(paper: tuple[int, int, int]) -> tuple[Image, FloatArray]:
    """The sheet without a camera: paper of one colour, its grey patches, black markers."""
    size = (round(A4.height_mm * PX_PER_MM), round(A4.width_mm * PX_PER_MM), 3)
    rgb = np.full(size, paper, np.uint8)
    for patch in A4.patches:
        x, y, w, h = (round(v * PX_PER_MM) for v in patch.box_mm)
        rgb[y : y + h, x : x + w] = patch.code
    return rgb, np.diag([PX_PER_MM, PX_PER_MM, 1.0])


def test_the_paper_tells_the_light() -> None:
    """sRGB codes 220, 200, 180 are 0.716, 0.578, 0.456 of linear light (IEC 61966-2-1)."""
    rgb, px_from_mm = drawn((220, 200, 180))
    white = sheet_white(rgb, A4, px_from_mm)
    assert white == pytest.approx([0.7157, 0.5776, 0.4564], rel=0.005)


def test_where_the_paper_is_burnt_out_a_grey_patch_stands_in() -> None:
    """The lightest patch is drawn as it is printed: its light over its share is 1."""
    rgb, px_from_mm = drawn((255, 255, 255))
    white = sheet_white(rgb, A4, px_from_mm)
    assert white == pytest.approx([1.0, 1.0, 1.0], rel=0.02)


def test_out_of_view_it_tells_nothing() -> None:
    rgb, px_from_mm = drawn((220, 200, 180))
    away = px_from_mm.copy()
    away[0, 2] = 5000.0
    assert sheet_white(rgb, A4, away) is None


def test_half_the_light_is_half_the_white() -> None:
    # 160, 145, 131 are half of the light of 220, 200, 180 to a third of a percent (IEC 61966-2-1).
    whites = [sheet_white(*_turned(drawn(codes))) for codes in ((220, 200, 180), (161, 146, 131))]
    assert whites[0] is not None and whites[1] is not None
    assert whites[1] / whites[0] == pytest.approx(np.full(3, 0.5), rel=0.02)


def _turned(scene: tuple[Image, FloatArray]) -> tuple[Image, SheetGeometry, FloatArray]:
    rgb, px_from_mm = scene
    return rgb, A4, px_from_mm


def test_pieces_on_the_work_area_do_not_tint_the_white() -> None:
    rgb, px_from_mm = drawn((220, 200, 180))
    x, y, w, h = (round(v * PX_PER_MM) for v in A4.work_area_mm)
    rgb[y : y + h, x : x + w] = (150, 80, 50)  # copper from rim to rim
    white = sheet_white(rgb, A4, px_from_mm)
    assert white == pytest.approx([0.7157, 0.5776, 0.4564], rel=0.005)


def test_a_shadow_over_a_third_of_the_paper_does_not_darken_the_white() -> None:
    rgb, px_from_mm = drawn((220, 200, 180))
    third = rgb.shape[0] // 3
    rgb[:third] = (rgb[:third] * 0.6).astype(np.uint8)
    white = sheet_white(rgb, A4, px_from_mm)
    assert white == pytest.approx([0.7157, 0.5776, 0.4564], rel=0.02)


def test_half_the_sheet_in_view_is_enough() -> None:
    rgb, px_from_mm = drawn((220, 200, 180))
    white = sheet_white(np.ascontiguousarray(rgb[: rgb.shape[0] // 2]), A4, px_from_mm)
    assert white == pytest.approx([0.7157, 0.5776, 0.4564], rel=0.005)
