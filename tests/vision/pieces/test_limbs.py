"""Limbs and junctions of drawn masks, whose limbs are known by construction."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.pieces.limbs import Bytes, forks_of, is_long, limbs_of


def drawn(*lines: tuple[tuple[int, int], tuple[int, int], int]) -> Bytes:
    canvas = np.zeros((300, 400), np.uint8)
    for start, end, width in lines:
        cv2.line(canvas, start, end, (1,), width)
    return canvas


def test_a_bar_has_no_junction() -> None:
    limbs, junctions = limbs_of(drawn(((40, 150), (360, 150), 14)))
    assert limbs == ()
    assert not junctions.any()


@pytest.mark.parametrize("turn_deg", [90, 60, 40])
def test_a_cross_has_four_limbs_that_meet_in_one_place(turn_deg: int) -> None:
    step = 120 * np.array([np.cos(np.deg2rad(turn_deg)), np.sin(np.deg2rad(turn_deg))])
    ends = [tuple(round(v) for v in (200 + s * step[0], 150 + s * step[1])) for s in (-1, 1)]
    limbs, junctions = limbs_of(drawn(((40, 150), (360, 150), 14), (ends[0], ends[1], 10)))
    assert junctions.max() == 1
    assert len(limbs) == 4
    assert [limb.stop for limb in limbs] == [0] * 4
    ys, xs = np.nonzero(junctions)
    assert (xs.mean(), ys.mean()) == pytest.approx((200, 150), abs=4)
    forks = forks_of(limbs)
    assert list(forks) == [1]
    assert len(forks[1]) == 4


def test_a_limb_is_as_wide_and_as_long_as_drawn() -> None:
    tee = drawn(((40, 150), (360, 150), 21), ((200, 150), (200, 20), 9))
    limbs, _ = limbs_of(tee)
    thin = min(limbs, key=lambda limb: float(np.median(limb.radii)))
    width = int(tee[80].sum())
    # A distance transform measures to the nearest pixel outside, half a pixel past the rim.
    assert 2 * np.median(thin.radii) - 1 == pytest.approx(width, abs=1)
    # From the rim of the bar, 10 px above its middle, to half a width before the end.
    assert len(thin.points) == pytest.approx(130 - 11 - width / 2, abs=8)
    assert thin.length_widths == pytest.approx(len(thin.points) / width, rel=0.2)
    assert thin.points[0][1] > thin.points[-1][1], "from the junction to the free end"


def test_two_rungs_are_links_from_one_junction_to_another() -> None:
    ladder = drawn(
        ((100, 20), (100, 280), 10), ((300, 20), (300, 280), 10),
        ((100, 100), (300, 100), 10), ((100, 200), (300, 200), 10),
    )  # fmt: skip
    limbs, junctions = limbs_of(ladder)
    assert junctions.max() == 4
    assert sum(limb.is_link for limb in limbs) == 4
    assert all(is_long(limb) for limb in limbs if limb.is_link)
    assert {len(ends) for ends in forks_of(limbs).values()} == {3}


def test_a_lug_at_the_side_is_no_limb() -> None:
    limbs, _ = limbs_of(drawn(((40, 150), (360, 150), 20), ((200, 150), (200, 128), 8)))
    assert forks_of(limbs) == {}


def test_a_stub_beyond_a_crossing_counts_where_the_third_would_be_missing() -> None:
    """A wire that ends just past another: two long limbs of one, one long and one stub."""
    limbs, _ = limbs_of(drawn(((40, 150), (360, 150), 10), ((200, 20), (200, 164), 10)))
    (ends,) = forks_of(limbs).values()
    assert len(ends) in (3, 4)
