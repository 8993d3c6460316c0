"""Parts that the network suspects to be brass or solder, on drawn maps."""

from __future__ import annotations

from math import exp

import numpy as np
import pytest

from vision.finish.flags import BRASS, SOLDER, FlagWeights, find_parts, part_probability
from vision.types import Float32Array, Mask

PLAIN = FlagWeights()


def tube(*spans: tuple[int, int], p: float = 0.97) -> tuple[Float32Array, Mask]:
    """Return a map and a tube, 12 px wide and 160 long, suspected in columns from x to x."""
    mask = np.zeros((40, 180), bool)
    mask[14:26, 10:170] = True
    suspected = np.full(mask.shape, 0.01, np.float32)
    for start, end in spans:
        suspected[:, start:end] = p
    return suspected, mask


def test_a_sure_part_is_found_where_it_lies() -> None:
    suspected, mask = tube((80, 100))
    flag, (part,) = find_parts(suspected, mask, width_px=12, weights=PLAIN)
    assert flag.p > 0.9
    columns = np.flatnonzero(part.mask.any(axis=0))
    assert abs(columns[0] - 80) <= 4
    assert abs(columns[-1] - 99) <= 4
    assert flag.share == pytest.approx(20 / 160, abs=0.05)


@pytest.mark.parametrize("weights", [BRASS, SOLDER])
def test_where_the_network_sees_nothing_there_is_nothing(weights: FlagWeights) -> None:
    flag, parts = find_parts(*tube(), width_px=12, weights=weights)
    assert flag.p < 0.02
    assert flag.share == 0.0
    assert parts == ()


def test_nothing_is_suspected_beside_the_piece() -> None:
    suspected, mask = tube((0, 180))
    flag, _ = find_parts(np.where(mask, 0.01, suspected), mask, width_px=12, weights=PLAIN)
    assert flag.p < 0.02


def test_parts_add_up_to_a_share_but_not_to_more_certainty() -> None:
    one, _ = find_parts(*tube((20, 40), p=0.8), width_px=12, weights=PLAIN)
    two, parts = find_parts(*tube((20, 40), (120, 140), p=0.8), width_px=12, weights=PLAIN)
    assert len(parts) == 2
    assert two.p == pytest.approx(one.p)
    assert two.share == pytest.approx(2 * one.share, rel=0.05)


def test_the_probability_is_that_of_the_written_odds() -> None:
    """By hand: odds 3 to the power 2, times e, times 4 to the power 0.5, make 9 e 2."""
    weights = FlagWeights(bias=1.0, network=2.0, size=0.5)
    odds = 9 * exp(1) * 2
    assert part_probability(0.75, widths2=4.0, weights=weights) == pytest.approx(odds / (1 + odds))


@pytest.mark.parametrize("weights", [BRASS, SOLDER])
def test_more_of_any_evidence_never_makes_a_part_less_likely(weights: FlagWeights) -> None:
    by_peak = [part_probability(p, widths2=1.0, weights=weights) for p in (0.05, 0.3, 0.6, 0.9)]
    by_size = [part_probability(0.5, widths2=a, weights=weights) for a in (0.0, 0.3, 1.0, 9.0)]
    assert by_peak == sorted(by_peak)
    assert by_peak[0] < by_peak[-1]
    assert by_size == sorted(by_size)


def test_no_part_is_told_surer_than_the_fit_allows() -> None:
    assert part_probability(1.0, widths2=100.0, weights=BRASS) < 0.99
    assert part_probability(0.0, widths2=0.0, weights=BRASS) > 0.01
