"""The working copy of a piece: its pixels, its width, where they lie on the photo."""

from __future__ import annotations

import numpy as np
import pytest

from vision.finish.working_copy import narrow_width_px, work_copy


def scene(*, width: int, length: int, code: int = 120) -> tuple[np.ndarray, np.ndarray]:
    rgb = np.full((width + 40, length + 40, 3), code, np.uint8)
    return rgb, np.ones((width, length), bool)


@pytest.mark.parametrize("width", [8, 21, 60])
def test_the_narrow_width_is_that_of_the_strip(width: int) -> None:
    assert narrow_width_px(np.ones((width, 400), bool)) == pytest.approx(width, rel=0.13)


@pytest.mark.parametrize(("width", "length"), [(10, 300), (48, 600), (300, 400), (120, 3000)])
def test_a_piece_is_about_twelve_pixels_wide_or_not_enlarged(width: int, length: int) -> None:
    rgb, mask = scene(width=width, length=length)
    work = work_copy(rgb, mask, (20, 20, length, width))
    assert work.factor >= 1.0
    assert work.width_px <= 12 * 1.15 or length / work.factor <= 97
    area = work.mask.sum() * work.factor**2
    assert 0.5 * mask.sum() < area <= 1.02 * mask.sum(), "only pixels wholly inside"
    assert work.seen_share == 1.0
    x, y, w, h = work.box_px
    assert x <= 20
    assert y <= 20
    assert x + w >= 20 + length
    assert y + h >= 20 + width


def test_what_is_clipped_or_dark_is_not_seen() -> None:
    rgb, mask = scene(width=24, length=200)
    rgb[:, 20:70] = 255
    rgb[:, 70:120] = 3
    work = work_copy(rgb, mask, (20, 20, 200, 24))
    assert work.seen_share == pytest.approx(0.5, abs=0.03)


def test_a_map_lands_where_it_lies_on_the_photo() -> None:
    """A ramp in photo pixels, given coarser: the copy must show its own places."""
    rgb, mask = scene(width=48, length=600)
    work = work_copy(rgb, mask, (20, 20, 600, 48))
    h, w = rgb.shape[:2]
    cells = np.arange(w // 4) * 4 + 1.5  # photo pixel in the middle of each cell
    ramp = np.broadcast_to(cells, (h // 4, w // 4)).astype(np.float32)
    seen = work.resampled(ramp[None], (0, 0, w, h))[0]
    middle = (np.arange(seen.shape[1]) + 0.5) * work.factor - 0.5 + work.origin_px[0]
    inner = slice(4, -4)
    assert seen[5, inner] == pytest.approx(middle[inner], abs=0.6)


def test_the_box_of_a_part_is_told_in_photo_pixels() -> None:
    rgb, mask = scene(width=48, length=600)
    work = work_copy(rgb, mask, (20, 20, 600, 48))
    columns = (np.arange(work.mask.shape[1]) + 0.5) * work.factor + work.origin_px[0]
    part = work.mask & (columns > 320)[None]
    x, _, w, _ = work.part_box_px(part, photo_size=(640, 88))
    assert x == pytest.approx(320, abs=work.factor + 1)
    assert x + w == pytest.approx(620, abs=2 * work.factor + 1)
