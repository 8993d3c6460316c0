"""Which pixels belong to which piece, on drawn maps."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.pieces.outlines import parted


def bar(
    start: tuple[int, int], end: tuple[int, int], width: int, *, size: tuple[int, int] = (300, 400)
) -> np.ndarray:
    mask = np.zeros(size, np.uint8)
    cv2.line(mask, start, end, (1,), width)
    return mask > 0


def lit(*masks: np.ndarray) -> np.ndarray:
    """Return a picture in which each mask has a grey of its own, the last one on top."""
    view = np.full((*masks[0].shape, 3), 235, np.uint8)
    for mask, grey in zip(masks, (120, 60, 120), strict=False):
        view[mask] = grey
    return view


def meeting(over: np.ndarray, under: np.ndarray) -> np.ndarray:
    """Return where the two meet, a pixel to each side, as the network is taught."""
    kernel = np.ones((3, 3), np.uint8)
    grown = cv2.dilate(over.astype(np.uint8), kernel) > 0
    shrunk = cv2.erode(over.astype(np.uint8), kernel) > 0
    return under & grown & ~shrunk


@pytest.mark.parametrize("angle", [90, 60, 130])
def test_a_wire_under_another_stays_one_piece(angle: int) -> None:
    over = bar((40, 150), (360, 150), 18)
    step = np.array([np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))]) * 130
    under = bar(
        (int(200 - step[0]), int(150 - step[1])),
        (int(200 + step[0]), int(150 + step[1])),
        12,
    )
    gap = meeting(over, under).astype(np.float32)
    labels = parted((over | under).astype(np.float32), gap, lit(under, over)).labels
    assert labels.max() == 2
    # A pixel right at the cut may go to either.
    for own in (under & ~over, over):
        counts = np.bincount(labels[own], minlength=3)
        assert counts.max() > 0.98 * counts.sum()
    assert np.bincount(labels[under & ~over]).argmax() != np.bincount(labels[over]).argmax()


def test_two_wires_that_end_at_a_third_without_facing_stay_two() -> None:
    over = bar((40, 150), (360, 150), 18)
    one = bar((100, 150), (100, 40), 12)
    other = bar((300, 150), (300, 260), 12)
    gap = meeting(over, one) | meeting(over, other)
    mask = (over | one | other).astype(np.float32)
    labels = parted(mask, gap.astype(np.float32), lit(one, over, other)).labels
    assert labels.max() == 3


def test_every_pixel_of_the_map_belongs_to_a_piece() -> None:
    over = bar((40, 150), (360, 150), 18)
    under = bar((200, 30), (200, 270), 12)
    gap = meeting(over, under).astype(np.float32)
    labels = parted((over | under).astype(np.float32), gap, lit(under, over)).labels
    np.testing.assert_array_equal(labels > 0, over | under)
