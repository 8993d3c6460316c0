"""Panoptic quality against examples worked by hand from the paper's definition."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace

import numpy as np
import pytest
from skimage.metrics import contingency_table

from bench.by_number import ignored
from bench.truth import Overlaps, overlaps
from models.recipe.panoptic import Quality, quality

SHAPE = (40, 60)


def piece(x: int, y: int, w: int, h: int) -> SimpleNamespace:
    return SimpleNamespace(region=SimpleNamespace(box_px=(x, y, w, h), mask=np.ones((h, w))))


def numbered(*boxes: tuple[int, int, int, int]) -> np.ndarray:
    numbers = np.zeros(SHAPE, np.uint8)
    for number, (x, y, w, h) in enumerate(boxes, start=1):
        numbers[y : y + h, x : x + w] = number
    return numbers


def laid(
    numbers: np.ndarray, found: Sequence[SimpleNamespace], unsure: np.ndarray | None = None
) -> Overlaps:
    return overlaps(numbers, found, SHAPE[1], SHAPE[0], unsure=unsure)


def test_the_figure_is_that_of_the_definition() -> None:
    # By hand, section 4.2 of the paper. Three true pieces of 100 px: the first is found two
    # columns off (80 of 120: 2 / 3), the second by its left half alone (50 of 100: one half is
    # no match), the third not at all. One more find lies on nothing. So one match, two extra,
    # two missed: PQ = (2 / 3) / (1 + 2 / 2 + 2 / 2) = 2 / 9, SQ = 2 / 3, RQ = 1 / 3.
    numbers = numbered((0, 0, 10, 10), (20, 0, 10, 10), (40, 0, 10, 10))
    found = [piece(2, 0, 10, 10), piece(20, 0, 5, 10), piece(0, 20, 10, 10)]
    told = quality(laid(numbers, found).iou, ignored=[False] * 3)
    assert (told.matched, told.extra, told.missed) == (1, 2, 2)
    assert (told.pq, told.sq, told.rq) == pytest.approx((2 / 9, 2 / 3, 1 / 3))


def test_photos_add_up_before_they_are_divided() -> None:
    both = Quality(iou_sum=0.9, matched=1) + Quality(extra=1, missed=1)
    assert both.pq == pytest.approx(0.9 / 2), "not the mean of 0.9 and 0"
    assert np.isnan(Quality().pq)


def test_ground_that_nobody_is_sure_of_counts_for_nothing() -> None:
    # By hand: of a find of 200 px half lies on unsure ground. What is left is the piece of
    # 100 px itself, so that its IoU is 1. Another find has 60 of 100 px there, and is no
    # extra one; one with 50 is.
    numbers, unsure = numbered((0, 0, 10, 10)), np.zeros(SHAPE, bool)
    unsure[:, 10:26] = True
    found = [piece(0, 0, 20, 10), piece(20, 20, 10, 10), piece(21, 30, 10, 10)]
    over = laid(numbers, found, unsure)
    assert over.iou[0, 0] == 1
    assert over.unsure == pytest.approx([0.5, 0.6, 0.5])
    told = quality(over.iou, ignored=ignored(over, strange=[False] * 3))
    assert (told.iou_sum, told.matched, told.extra, told.missed) == (1, 1, 1, 0)


def test_what_is_told_as_no_copper_is_extra_only_on_a_piece() -> None:
    numbers = numbered((0, 0, 30, 10))
    found = [piece(0, 20, 10, 10), piece(0, 0, 10, 10), piece(20, 20, 10, 10)]
    assert ignored(laid(numbers, found), strange=[True, True, False]) == [True, False, False]


@pytest.mark.parametrize("seed", range(5))
def test_counts_agree_with_scikit_image(seed: int) -> None:
    # Pieces that don't overlap, found moved by a pixel or two: every pair with more than one
    # half is a match (the paper's theorem), with overlaps as scikit-image counts them.
    rng = np.random.default_rng(seed)
    numbers, seen, found = np.zeros(SHAPE, np.uint8), np.zeros(SHAPE, np.uint8), []
    for number in range(1, 7):
        x, y = 10 * (number - 1), int(rng.integers(0, 20))
        numbers[y : y + 12, x : x + 7] = number
        dx, dy, w = (int(v) for v in rng.integers((0, 0, 3), (3, 4, 7)))
        seen[y + dy : y + dy + 12, x + dx : x + dx + w] = number
        found.append(piece(x + dx, y + dy, w, 12))
    counts = contingency_table(numbers, seen).toarray()
    union = counts.sum(axis=1)[:, None] + counts.sum(axis=0)[None] - counts
    iou = (counts / union)[1:, 1:]
    told = quality(laid(numbers, found).iou, ignored=[False] * 6)
    assert laid(numbers, found).iou == pytest.approx(iou)
    assert told.matched == (iou > 0.5).sum()
    assert told.iou_sum == pytest.approx(iou[iou > 0.5].sum())
    assert told.extra == told.missed == 6 - told.matched
