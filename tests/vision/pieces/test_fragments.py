"""Which fragments are one piece, on drawn ones and by hand."""

from __future__ import annotations

from math import log

import cv2
import numpy as np
import pytest

from vision.pieces.fragments import FEATURES, OFFSET, WEIGHTS, Pairs, joined, pairs_of

NONE = np.zeros((120, 200), np.float32)
PLAIN = np.full((120, 200, 3), 120, np.uint8)


def drawn(*bars: tuple[tuple[int, int], tuple[int, int], int]) -> np.ndarray:
    labels = np.zeros(NONE.shape, np.int32)
    for number, (start, end, width) in enumerate(bars, start=1):
        cv2.line(labels, start, end, (number,), width)
    return labels


def told(pairs: Pairs, first: int, second: int) -> dict[str, float]:
    (at,) = np.flatnonzero((pairs.first == first) & (pairs.second == second))
    return dict(zip(FEATURES, pairs.features[at], strict=True))


def odds(*links: tuple[int, int, float]) -> Pairs:
    """Pairs whose probability of being one piece is given."""
    features = np.zeros((len(links), len(FEATURES)))
    features[:, 0] = [(log(p / (1 - p)) - OFFSET) / WEIGHTS[0] for _, _, p in links]
    first, second = (np.array([link[k] for link in links], np.int64) for k in (0, 1))
    return Pairs(first=first, second=second, features=features)


def alike(count: int) -> np.ndarray:
    return np.full(count, 100)


def test_what_is_told_of_two_halves_of_a_bar_is_what_was_drawn() -> None:
    labels = drawn(((20, 60), (99, 60), 9), ((100, 60), (180, 60), 9))
    pairs = pairs_of(labels, NONE + np.float32(0.4), PLAIN)
    own = told(pairs, 1, 2)
    assert own["hop"] == own["distance"] == own["colour"] == 0
    assert own["turn"] == pytest.approx(1, abs=1e-3)
    assert own["aside"] == pytest.approx(1, abs=1e-2)
    assert own["width"] < 0.1
    assert own["border"] == pytest.approx(0.4)
    assert np.exp(own["smaller"]) == pytest.approx((labels == 1).sum(), rel=0.05)
    assert pairs.log_odds[0] > 0


def test_two_ends_behind_a_third_piece_are_told_as_a_hop() -> None:
    labels = drawn(((20, 60), (180, 60), 7), ((0, 0), (0, 0), 1), ((100, 10), (100, 110), 13))
    labels[(labels == 1) & (np.arange(200) > 100)] = 2
    own = told(pairs_of(labels, NONE, PLAIN), 1, 2)
    assert own["hop"] == 1
    # 13 px of the bar between ends 7 px wide.
    assert own["distance"] == pytest.approx(13 / 7, rel=0.35)


def test_colour_and_width_speak_against_a_pair() -> None:
    alike = drawn(((20, 60), (99, 60), 9), ((100, 60), (180, 60), 9))
    thicker = drawn(((20, 60), (99, 60), 9), ((100, 60), (180, 60), 27))
    red = PLAIN.copy()
    red[:, 100:] = (190, 90, 60)
    first = pairs_of(alike, NONE, PLAIN).log_odds[0]
    assert pairs_of(thicker, NONE, PLAIN).log_odds[0] < first
    assert pairs_of(alike, NONE, red).log_odds[0] < first


def test_a_sure_border_speaks_against_a_pair() -> None:
    labels = drawn(((20, 60), (99, 60), 9), ((100, 60), (180, 60), 9))
    found = [pairs_of(labels, NONE + np.float32(p), PLAIN).log_odds[0] for p in (0.1, 0.5, 0.9)]
    assert found == sorted(found, reverse=True)


def test_groups_are_joined_by_their_mean_log_odds() -> None:
    # By hand: 1 and 2 join first (0.9). Of that group with 3, the mean of the log-odds of 0.6
    # and 0.2 is (0.405 - 1.386) / 2 = -0.49, under the limit's -0.2: it stays by itself.
    group, _ = joined(alike(4), odds((1, 2, 0.9), (1, 3, 0.6), (2, 3, 0.2)))
    assert group.tolist() == [0, 1, 1, 3]
    group, _ = joined(alike(4), odds((1, 2, 0.9), (1, 3, 0.6), (2, 3, 0.5)))
    assert group.tolist() == [0, 1, 1, 1]


def test_a_group_joined_in_doubt_is_told() -> None:
    group, doubtful = joined(alike(5), odds((1, 2, 0.5), (3, 4, 0.9)))
    assert group.tolist() == [0, 1, 1, 3, 3]
    assert doubtful.tolist() == [False, True, True, False, False]


def test_a_speck_joined_in_doubt_makes_no_piece_several() -> None:
    _, doubtful = joined(np.array([0, 1000, 20]), odds((1, 2, 0.5)))
    assert not doubtful.any()


def test_without_pairs_each_fragment_is_a_piece() -> None:
    labels = drawn(((20, 20), (180, 20), 5), ((20, 100), (180, 100), 5))
    pairs = pairs_of(labels, NONE, PLAIN)
    assert len(pairs.first) == 0
    assert joined(alike(3), pairs)[0].tolist() == [0, 1, 2]
