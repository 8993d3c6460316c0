"""Found pieces and edges set beside true ones, worked by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from bench.truth import is_whole, match, off_px, overlaps


def test_edges_are_held_against_the_sides_square_to_the_cut() -> None:
    # A strip 10 px wide at 45 degrees: its sides lie 5 px off the diagonal. Geometry alone.
    along, across = np.array([1.0, 1.0]) / 2**0.5, np.array([1.0, -1.0]) / 2**0.5
    at = np.linspace(0, 100, 21)[:, None] * along
    limbs = np.hstack([at - 5 * across, at + 5 * across])
    cut = np.array([[20.0], [52.3], [80.0]]) * along
    left, right = cut - 5.5 * across, cut + 4.8 * across
    for one, other, told in ((left, right, (0.5, -0.2)), (right, left, (-0.2, 0.5))):
        assert off_px(one, other, limbs) == pytest.approx(np.tile(told, (3, 1)), abs=0.01)
    assert np.isnan(off_px(left - 200 * along, right - 200 * along, limbs)).all()


def piece(x: int, y: int, w: int, h: int) -> SimpleNamespace:
    return SimpleNamespace(region=SimpleNamespace(box_px=(x, y, w, h), mask=np.ones((h, w))))


def test_one_outline_over_two_pieces_finds_one_of_them() -> None:
    # Two pieces of 200 and 150 px side by side, and one outline of 350 over both (found at twice
    # the size of the numbers): overlaps of 0.57 and 0.43, and only one may count.
    numbers = np.zeros((30, 50), np.uint8)
    numbers[5:15, 5:25], numbers[5:15, 25:45] = 7, 9
    numbers[5:15, 40:45] = 0
    found = match(overlaps(numbers, [piece(10, 10, 70, 20)], 100, 60))
    assert list(found) == [7]
    assert found[7][0] == 0 and found[7][1] == pytest.approx(200 / 350)


def test_pairs_are_those_whose_overlaps_sum_to_the_most() -> None:
    numbers = np.zeros((30, 50), np.uint8)
    numbers[:10, :20], numbers[:10, 20:40] = 1, 2
    # The first overlaps 1 by 100 / 300 and 2 by 100 / 300; the second is number 1 itself.
    found = match(overlaps(numbers, [piece(10, 0, 20, 10), piece(0, 0, 20, 10)], 50, 30))
    assert {number: index for number, (index, _) in found.items()} == {1: 1, 2: 0}
    assert found[2][1] == pytest.approx(1 / 3)
    assert match(overlaps(numbers, [piece(0, 20, 20, 10)], 50, 30)) == {}, "nothing true there"


def test_over_some_true_pieces_is_as_if_there_were_no_others() -> None:
    numbers = np.zeros((30, 50), np.uint8)
    numbers[:10, :20], numbers[:10, 20:40], numbers[20:, :20] = 1, 2, 3
    found = [piece(10, 0, 20, 10), piece(0, 15, 20, 10)]
    some = overlaps(numbers, found, 50, 30).of({1, 3})
    alone = overlaps(np.where(numbers == 2, 0, numbers), found, 50, 30)
    assert some.trues == alone.trues == (1, 3)
    assert some.iou.tolist() == alone.iou.tolist()
    # By hand: half of the first lies on number 1, half of the second on number 3.
    assert some.on_true.tolist() == alone.on_true.tolist() == [[0.5, 0.0], [0.0, 0.5]]


def test_a_reference_that_the_rim_cuts_is_not_whole() -> None:
    told = {"width_px": 100, "height_px": 60, "references": [{"outline_px": [[0, 0], [99, 59]]}]}
    assert is_whole(told)
    assert not is_whole({**told, "references": [{"outline_px": [[0, 0], [99.5, 59]]}]})
    assert not is_whole({**told, "references": [{"outline_px": [[-0.5, 0], [99, 59]]}]})
    assert not is_whole({**told, "references": []})
