"""Numbers follow the way a page is read; the wanted orders were read off by eye."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.pieces.reading_order import reading_order
from vision.types import Box

BOXES = st.lists(st.tuples(*[st.integers(0, 4000)] * 2, *[st.integers(1, 3000)] * 2), max_size=30)


@pytest.mark.parametrize(
    ("boxes", "wanted"),
    [
        pytest.param([], [], id="nothing"),
        pytest.param([(500, 0, 9, 9), (0, 4, 9, 9)], [1, 0], id="one row, not quite level"),
        pytest.param([(0, 300, 9, 9), (500, 0, 9, 9)], [1, 0], id="two rows"),
        pytest.param(
            # A rod along the left side, three short pieces beside it, one under the other.
            [(100, 10, 50, 40), (100, 200, 50, 40), (100, 400, 50, 40), (10, 0, 20, 450)],
            [3, 0, 1, 2],
            id="an upright piece stands in the first row that it reaches",
        ),
        pytest.param(
            # The rod in between: what lies left of it in the first row comes first.
            [(10, 10, 50, 40), (100, 0, 20, 450), (200, 20, 50, 40), (10, 300, 50, 40)],
            [0, 1, 2, 3],
            id="an upright piece between others",
        ),
    ],
)
def test_a_page_is_read_row_by_row(boxes: list[Box], wanted: list[int]) -> None:
    assert reading_order(boxes) == wanted


@given(BOXES)
def test_each_piece_has_one_number(boxes: list[Box]) -> None:
    assert sorted(reading_order(boxes)) == list(range(len(boxes)))


@given(BOXES, st.integers(1, 5000))
def test_it_matters_not_where_on_the_photo_they_lie(boxes: list[Box], away: int) -> None:
    moved = [(x + away, y + away, w, h) for x, y, w, h in boxes]
    assert reading_order(moved) == reading_order(boxes)


@settings(max_examples=30)
@given(BOXES, st.integers(2, 9))
def test_a_photo_of_more_pixels_is_read_alike(boxes: list[Box], times: int) -> None:
    larger = [(times * x, times * y, times * w, times * h) for x, y, w, h in boxes]
    assert reading_order(larger) == reading_order(boxes)


@settings(max_examples=30)
@given(st.integers(1, 6), st.integers(1, 6), st.randoms())
def test_a_grid_is_read_row_by_row_however_it_is_told(rows: int, columns: int, random: Any) -> None:
    grid = [(100 * c, 100 * r, 60, 60) for r in range(rows) for c in range(columns)]
    told = list(grid)
    random.shuffle(told)
    assert [told[i] for i in reading_order(told)] == grid
