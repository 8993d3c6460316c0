"""Where a thing lies on a piece, on drawn maps whose truth is known by construction."""

from __future__ import annotations

import numpy as np

from vision.finish.parts import MOST_PARTS, parts_px
from vision.finish.surface import cover
from vision.types import Boxes, Region, Surface, SurfaceMap

CELL = 4
TUBE = (40, 56, 640, 48)
"""On a photo of 720 x 160 px: 160 cells long, 12 wide."""


def parts(*spans: tuple[int, int], p: float = 0.97, beside: float = 0.01) -> Boxes:
    """Return what is found on a tube with brass in photo columns from x to x."""
    rows, columns = 160 // CELL, 720 // CELL
    plane = np.full((rows, columns), beside, np.float32)
    plane[14:26, 10:170] = 0.01
    for start, end in spans:
        plane[14:26, start // CELL : end // CELL] = p
    planes = np.full((len(Surface), rows, columns), 0.0, np.float32)
    planes[list(Surface).index(Surface.BRASS)] = plane
    surface = SurfaceMap(
        p=planes,
        tarnish_level=np.zeros((rows, columns), np.float32),
        box_px=(0, 0, 720, 160),
        outline=np.zeros((2, 160, 720), np.float32),
        features=np.zeros((1, rows, columns), np.float32),
    )
    x, y, w, h = TUBE
    region = Region(
        box_px=TUBE,
        mask=np.ones((h, w), bool),
        outline_px=np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]], float),
        score=1.0,
    )
    weights = cover(surface, region.mask, box_px=TUBE)
    return parts_px(surface, region, weights, Surface.BRASS)


def test_a_part_is_found_where_it_lies() -> None:
    ((x, y, w, h),) = parts((320, 400))
    assert abs(x - 320) <= CELL
    assert abs(x + w - 400) <= CELL
    assert (y, h) == (TUBE[1], TUBE[3])


def test_where_the_network_sees_nothing_there_is_no_part() -> None:
    assert parts() == ()
    assert parts(beside=0.97) == (), "beside the piece"


def test_a_part_at_the_end_does_not_reach_beyond_the_piece() -> None:
    ((x, _, w, _),) = parts((600, 680), beside=0.97)
    assert x + w == TUBE[0] + TUBE[2]
    assert abs(x - 600) <= CELL


def test_the_largest_parts_come_first_and_no_more_than_a_few() -> None:
    found = parts(*((48 + 88 * i, 72 + 88 * i + 8 * i) for i in range(6)))
    sizes = [w * h for _, _, w, h in found]
    assert len(found) == MOST_PARTS
    assert sizes == sorted(sizes, reverse=True)
