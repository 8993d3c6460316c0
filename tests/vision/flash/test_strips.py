"""The two strips of a piece are the same rows and columns of it.

Drawn: a straight wire whose colour says where along it and across it a pixel is, seen twice.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.flash.strips import ACROSS, Lit, cut_alike
from vision.photo.colour import from_linear
from vision.types import FloatArray, Photo, Region

SIZE = (600, 400)
LONG, WIDE = 400, 60
FROM_PLAIN = np.array([[0.96, -0.06, 30.0], [0.06, 0.96, -8.0], [0, 0, 1.0]])


def seen(move: FloatArray) -> Lit:
    """The wire after a move of the camera: red grows along it, green across it."""
    along, across = np.meshgrid(np.linspace(0.1, 0.8, LONG), np.linspace(0.1, 0.8, WIDE))
    wire = np.dstack([along, across, np.full_like(along, 0.3)])
    canvas = np.full((SIZE[1], SIZE[0], 3), 0.02)
    canvas[170 : 170 + WIDE, 100 : 100 + LONG] = wire
    own = np.zeros(SIZE[::-1], np.uint8)
    own[170 : 170 + WIDE, 100 : 100 + LONG] = 1
    moved = cv2.warpPerspective(canvas, move, SIZE, flags=cv2.INTER_LINEAR)
    mask = cv2.warpPerspective(own, move, SIZE, flags=cv2.INTER_NEAREST) > 0
    outline, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    x, y, w, h = cv2.boundingRect(outline[0])
    rgb = from_linear(np.asarray(moved, np.float32))
    return Lit(
        photo=Photo(name="drawn", sha256="0" * 64, rgb=rgb),
        region=Region(
            box_px=(x, y, w, h),
            mask=mask[y : y + h, x : x + w],
            outline_px=outline[0][:, 0].astype(float),
            score=1.0,
        ),
        white=None,
    )


def test_rows_and_columns_are_the_same_spots_in_both_photos() -> None:
    cut = cut_alike(seen(np.eye(3)), seen(FROM_PLAIN), flash_from_plain=FROM_PLAIN)
    plain, flash = cut.pair.plain.light, cut.pair.flash.light
    assert plain.shape == flash.shape and plain.shape[1] == ACROSS
    both = np.isfinite(plain).all(axis=-1) & np.isfinite(flash).all(axis=-1)
    assert both.mean() > 0.9
    # Red and green change by 0.7 over 400 px along and 60 px across: 0.02 is 11 and 1.7 px.
    off = np.abs(plain - flash)[both]
    assert np.quantile(off[:, 0], 0.95) < 0.02
    assert np.quantile(off[:, 1], 0.95) < 0.03


@pytest.mark.parametrize("aside_px", [-25.0, 25.0])
def test_a_strip_follows_the_pieces_own_middle(aside_px: float) -> None:
    wrong = FROM_PLAIN + np.array([[0, 0, 0], [0, 0, aside_px], [0, 0, 0]])
    cut = cut_alike(seen(np.eye(3)), seen(FROM_PLAIN), flash_from_plain=wrong)
    plain, flash = cut.pair.plain.light[..., 1], cut.pair.flash.light[..., 1]
    both = np.isfinite(plain) & np.isfinite(flash)
    assert both.mean() > 0.85
    assert np.quantile(np.abs(plain - flash)[both], 0.9) < 0.05  # 4 of the 60 px across


def test_a_box_of_the_strip_is_found_on_the_flash_photo() -> None:
    cut = cut_alike(seen(np.eye(3)), seen(FROM_PLAIN), flash_from_plain=FROM_PLAIN)
    rows, columns = cut.pair.flash.light.shape[:2]
    ((x, y, w, h),) = cut.boxes_px(((0, 0, columns, rows),))
    left, top, wide, high = seen(FROM_PLAIN).region.box_px
    # The line along a piece's middle ends half a width before the piece does.
    assert left <= x + 3 and x + w <= left + wide + 3 and w > 0.8 * wide
    assert abs(y - top) < 6 and abs(h - high) < 10
    assert cut.boxes_px(()) == ()


def test_light_is_told_by_white_where_that_is_known() -> None:
    dark, half = seen(np.eye(3)), np.array([0.5, 0.5, 0.5])
    lit = Lit(photo=dark.photo, region=dark.region, white=half)
    cut = cut_alike(dark, lit, flash_from_plain=np.eye(3))
    assert cut.pair.flash.white_known and not cut.pair.plain.white_known
    ratio = cut.pair.flash.light / cut.pair.plain.light
    assert np.nanmedian(ratio) == pytest.approx(2.0, rel=0.01)
