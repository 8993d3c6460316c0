"""Counts of one photo, and the table by the number of pieces, worked by hand."""

from __future__ import annotations

import json
from types import SimpleNamespace

import numpy as np

from bench.by_number import Counts, Told, counted, table
from bench.truth import overlaps
from models.recipe.panoptic import Quality


def piece(x: int, w: int) -> SimpleNamespace:
    return SimpleNamespace(region=SimpleNamespace(box_px=(x, 0, w, 10), mask=np.ones((10, w))))


def told(suggested: str | None, *, borderline: bool = False, row: str = "no1") -> Told:
    return Told(suggested=suggested, borderline=borderline, row=row)


def test_one_photo_is_counted_by_what_was_found_and_said() -> None:
    numbers = np.zeros((10, 80), np.uint8)
    for number in (1, 2, 3, 4):
        numbers[:, 15 * number : 15 * number + 10] = number
    # 1 as it is, 2 by 4 of 10 columns (found, no match), 3 as it is though nobody knows its
    # grade, 4 not; then one on the ground, and one there that is told as no metal.
    found = [piece(15, 10), piece(30, 4), piece(45, 10), piece(0, 5), piece(72, 5)]
    said = [
        told("no1"), told("no2", borderline=True), told("no1"), told("no1"),
        told("set_aside", row="no-metal"),
    ]  # fmt: skip
    right = {1: {"no1"}, 2: {"no1"}, 3: set(), 4: {"no1"}}
    counts = counted(overlaps(numbers, found, 80, 10), said, right=right)
    assert counts == Counts(
        pieces=4, found=3, graded=2, right=1, decided=1, decided_right=1, extra=1, strange=1,
        quality=Quality(iou_sum=2.0, matched=2, extra=2, missed=2),
    )  # fmt: skip
    assert Counts.of_row(json.loads(json.dumps(counts.as_row()))) == counts


def photo(pieces: int, *, found: int, extra: int = 0) -> Counts:
    return Counts(
        pieces=pieces, found=found, graded=found, right=found, decided=0, decided_right=0,
        extra=extra, strange=0,
        quality=Quality(iou_sum=0.8 * found, matched=found, extra=extra, missed=pieces - found),
    )  # fmt: skip


def test_photos_are_told_together_by_their_number_of_pieces() -> None:
    lines = table([photo(0, found=0, extra=2), photo(2, found=2), photo(4, found=1, extra=3)])
    cells = {line.split(" | ")[0].strip("| "): line.split(" | ") for line in lines.splitlines()}
    assert list(cells)[2:] == ["none", "2-4", "all"]
    assert cells["none"][1:5] == ["1", "0", "-", "n 2"]
    # 3 of 6 found; PQ = 2.4 / (3 + 3 / 2 + 3 / 2) = 40 %, on all 2.4 / 7.
    assert cells["2-4"][1:5] == ["2", "6", "50 % (n 6)", "0.50 (n 3)"]
    assert cells["2-4"][9] == "40.0 %" and cells["2-4"][11] == "80.0 %"
    assert cells["all"][9] == "34.3 %"
