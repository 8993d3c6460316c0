"""Where a thing lies on a piece, on drawn maps whose truth is known by construction."""

from __future__ import annotations

import numpy as np

from vision.finish.parts import MOST_PARTS, parts_of
from vision.types import Float32Array, Mask


def tube(*spans: tuple[int, int], p: float = 0.97) -> tuple[Float32Array, Mask]:
    """Return a map and a tube, 12 px wide and 160 long, with a thing in columns from x to x."""
    mask = np.zeros((40, 180), bool)
    mask[14:26, 10:170] = True
    plane = np.full(mask.shape, 0.01, np.float32)
    for start, end in spans:
        plane[:, start:end] = p
    return plane, mask


def test_a_part_is_found_where_it_lies() -> None:
    (part,) = parts_of(*tube((80, 100)), width_px=12)
    columns = np.flatnonzero(part.any(axis=0))
    assert abs(columns[0] - 80) <= 4
    assert abs(columns[-1] - 99) <= 4


def test_where_the_network_sees_nothing_there_is_no_part() -> None:
    assert parts_of(*tube(), width_px=12) == []
    plane, mask = tube((0, 180))
    assert parts_of(np.where(mask, 0.01, plane), mask, width_px=12) == [], "beside the piece"
    assert parts_of(plane, np.zeros_like(mask), width_px=12) == []


def test_the_largest_parts_come_first_and_no_more_than_a_few() -> None:
    spans = [(10 + 22 * i, 16 + 22 * i + 2 * i) for i in range(6)]
    parts = parts_of(*tube(*spans), width_px=6)
    sizes = [int(part.sum()) for part in parts]
    assert len(parts) == MOST_PARTS
    assert sizes == sorted(sizes, reverse=True)
