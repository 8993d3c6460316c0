"""Which pixels belong to which piece, on drawn maps."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.pieces.outlines import parted
from vision.types import Surface, SurfaceMap


def bar(
    start: tuple[int, int], end: tuple[int, int], width: int, *, size: tuple[int, int] = (300, 400)
) -> np.ndarray:
    mask = np.zeros(size, np.uint8)
    cv2.line(mask, start, end, (1,), width)
    return mask > 0


def looked_at(*masks: np.ndarray) -> SurfaceMap:
    """Return what the network makes of drawn pieces, the last one on top, the second unlike."""
    h, w = masks[0].shape
    classes = np.full((h, w), list(Surface).index(Surface.TABLE))
    kinds = (Surface.BRIGHT, Surface.INSULATION, Surface.BRIGHT)
    for mask, surface in zip(masks, kinds, strict=False):
        classes[mask] = list(Surface).index(surface)
    # A cell that a piece covers in part shows as much of it.
    each = np.stack([classes == k for k in range(len(Surface))]).astype(np.float32)
    p = each.reshape(len(Surface), h // 4, 4, w // 4, 4).mean(axis=(2, 4))
    return SurfaceMap(
        p=p,
        tarnish_level=np.zeros(p.shape[1:], np.float32),
        box_px=(0, 0, w, h),
        outline=np.zeros((2, h, w), np.float32),
        features=3 * p[2:],
    )


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
    labels = parted((over | under).astype(np.float32), gap, looked_at(under, over)).labels
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
    labels = parted(mask, gap.astype(np.float32), looked_at(one, over, other)).labels
    assert labels.max() == 3


def test_every_pixel_of_the_map_belongs_to_a_piece() -> None:
    over = bar((40, 150), (360, 150), 18)
    under = bar((200, 30), (200, 270), 12)
    gap = meeting(over, under).astype(np.float32)
    labels = parted((over | under).astype(np.float32), gap, looked_at(under, over)).labels
    np.testing.assert_array_equal(labels > 0, over | under)


def test_a_speck_alone_is_no_piece_and_no_fault() -> None:
    speck = bar((50, 50), (52, 50), 2)
    told = parted(speck.astype(np.float32), np.zeros(speck.shape, np.float32), looked_at(speck))
    assert not told.labels.any()
    assert told.one_p.tolist() == [1.0]


def test_what_lies_alone_is_one_piece_and_what_meets_another_may_be_several() -> None:
    over = bar((40, 150), (360, 150), 18)
    under = bar((200, 30), (200, 270), 12)
    alone = bar((20, 40), (100, 40), 12)
    gap = meeting(over, under).astype(np.float32)
    told = parted((over | under | alone).astype(np.float32), gap, looked_at(under, over, alone))
    p = {int(n): told.one_p[n] for n in np.unique(told.labels)}
    assert p[int(told.labels[40, 60])] == 1
    assert 0.5 < p[int(told.labels[150, 60])] < 1


def test_a_bundle_that_is_all_borders_is_not_lost_to_what_lies_elsewhere() -> None:
    lone, bundle = bar((40, 60), (360, 60), 18), bar((40, 240), (160, 240), 24)
    gap = np.where(bundle, np.float32(0.5), np.float32(0))
    found = parted((lone | bundle).astype(np.float32), gap, looked_at(lone, bundle))
    (first,), (second,) = np.unique(found.labels[lone]), np.unique(found.labels[bundle])
    assert first != second
    assert found.whole_p[second] < 0.5 < found.whole_p[first]


def test_a_faint_stain_is_left_out() -> None:
    wire, stain = bar((40, 150), (360, 150), 18), bar((100, 50), (110, 50), 12)
    piece = np.where(stain, 0.51, wire).astype(np.float32)
    labels = parted(piece, np.zeros_like(piece), looked_at(wire)).kept()
    assert labels[150, 200] > 0
    assert not labels[stain].any()
