"""Smaller copies: right, shared, and gone with their photo."""

from __future__ import annotations

import gc

import cv2
import numpy as np
import pytest

from vision.photo import reduced as module
from vision.photo.reduced import halved, reduced, resized


def whole_photo(width: int, height: int, *, seed: int = 0) -> np.ndarray:
    """A picture as ``load_photo`` gives it: its own pixels, not to be written to."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(0, 256, (9, 12, 3), dtype=np.uint8)
    rgb = np.ascontiguousarray(cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC))
    rgb.flags.writeable = False
    return rgb


@pytest.mark.parametrize("size", [(4000, 3000), (4032, 3024), (1600, 1200), (1023, 767)])
@pytest.mark.parametrize("long_side_px", [1024, 800, 256])
def test_a_copy_is_the_mean_of_what_it_covers(size: tuple[int, int], long_side_px: int) -> None:
    # Against OpenCV's own area averaging of the whole picture in one step.
    if max(size) < long_side_px:
        pytest.skip("no smaller copy")
    rgb = whole_photo(*size)
    small, factor = reduced(rgb, long_side_px)
    want = cv2.resize(rgb, small.shape[1::-1], interpolation=cv2.INTER_AREA)
    assert max(small.shape[:2]) == long_side_px
    assert factor == pytest.approx(size[0] / long_side_px)
    assert np.abs(small.astype(int) - want).max() <= 2


def test_a_small_picture_is_its_own_copy() -> None:
    rgb = whole_photo(640, 480)
    assert reduced(rgb, 1024)[0] is rgb
    assert halved(rgb, at_most_px=640) == (rgb, 1.0)


def test_halving_stops_at_the_length_asked_for_and_at_odd_sides() -> None:
    small, factor = halved(whole_photo(1600, 1200), at_most_px=500)
    assert (small.shape, factor) == ((300, 400, 3), 4.0)
    odd, factor = halved(whole_photo(1602, 1200), at_most_px=500)
    assert (odd.shape, factor) == ((600, 801, 3), 2.0)


def test_a_step_that_asks_again_gets_the_same_copy() -> None:
    rgb = whole_photo(1600, 1200)
    first, _ = reduced(rgb, 500)
    assert reduced(rgb, 500)[0] is first
    assert not first.flags.writeable, "one step must not change what another sees"
    assert np.array_equal(resized(rgb, (800, 600)), halved(rgb, at_most_px=800)[0])


def test_pixels_that_may_change_are_read_anew() -> None:
    rgb = whole_photo(1600, 1200).copy()
    before = reduced(rgb, 500)[0]
    rgb[:] = 7
    assert (reduced(rgb, 500)[0] == 7).all()
    assert not (before == 7).all()


def test_copies_go_when_the_photo_goes() -> None:
    gc.collect()
    before = len(module._kept)
    rgb = whole_photo(1600, 1200)
    reduced(rgb, 500)
    assert len(module._kept) == before + 1
    del rgb
    gc.collect()
    assert len(module._kept) == before
