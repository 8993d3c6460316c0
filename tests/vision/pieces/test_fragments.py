"""Which fragments are one piece, on drawn ones and by hand."""

from __future__ import annotations

from math import log

import cv2
import numpy as np
import pytest

from vision.pieces.fragments import (
    FEATURES,
    OFFSET,
    OUTER_LEAST,
    WEIGHTS,
    WHOLE_FEATURES,
    Maps,
    Pairs,
    joined,
    pairs_of,
    whole_features,
    whole_p,
)
from vision.types import Surface, SurfaceMap

NONE = np.zeros((120, 200), np.float32)


def maps(
    *, gap: float = 0.0, other: Surface = Surface.BRIGHT, between: slice | None = None
) -> Maps:
    """Return drawn maps: bright copper, from the middle on ``other``, the table ``between``."""
    p = np.zeros((len(Surface), 30, 50), np.float32)
    p[list(Surface).index(Surface.BRIGHT), :, :25] = 1
    p[list(Surface).index(other), :, 25:] = 1
    if between is not None:
        p[:, :, between] = 0
        p[0, :, between] = 1
    surface = SurfaceMap(
        p=p,
        tarnish_level=np.zeros(p.shape[1:], np.float32),
        box_px=(0, 0, 200, 120),
        outline=np.zeros((2, 120, 200), np.float32),
        features=3 * p[2:],
    )
    return Maps(gap=NONE + np.float32(gap), surface=surface, size_px=(200, 120))


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
    pairs = pairs_of(labels, maps(gap=0.4))
    own = told(pairs, 1, 2)
    assert own["hop"] == own["look"] == own["ground"] == 0
    # By hand: a line of 9 by 80 px, of which the nearest 36 lie around where the two meet.
    assert own["round"] == pytest.approx(9 / 36, abs=0.05)
    assert own["turn"] == own["aside"] == pytest.approx(1 - own["round"], abs=1e-2)
    assert own["across"] == pytest.approx(0, abs=1e-2)
    assert [own["border"], own["gap"]] == pytest.approx([0.4, 0.4])
    assert pairs.log_odds[0] > 0


def test_two_ends_behind_a_third_piece_are_told_as_a_hop() -> None:
    labels = drawn(((20, 60), (180, 60), 7), ((0, 0), (0, 0), 1), ((100, 10), (100, 110), 13))
    labels[(labels == 1) & (np.arange(200) > 100)] = 2
    own = told(pairs_of(labels, maps()), 1, 2)
    assert (own["hop"], own["border"], own["across"]) == (1, 0, 0)
    assert own["turn"] == pytest.approx(1 - own["round"], abs=1e-3)


def halves() -> np.ndarray:
    return drawn(((20, 60), (99, 60), 9), ((100, 60), (180, 60), 9))


def test_another_surface_speaks_against_a_pair() -> None:
    first = pairs_of(halves(), maps()).log_odds[0]
    assert pairs_of(halves(), maps(other=Surface.INSULATION)).log_odds[0] < first


def test_table_between_speaks_against_a_pair() -> None:
    labels = drawn(((20, 60), (97, 60), 9), ((101, 60), (180, 60), 9))
    bridged = pairs_of(labels, maps())
    apart = pairs_of(labels, maps(between=slice(24, 26)))
    assert told(apart, 1, 2)["ground"] == 1
    assert apart.log_odds[0] < bridged.log_odds[0]


def test_a_sure_border_speaks_against_a_pair() -> None:
    found = [pairs_of(halves(), maps(gap=p)).log_odds[0] for p in (0.1, 0.5, 0.9)]
    assert found == sorted(found, reverse=True)


def test_a_part_of_the_map_is_told_as_all_of_it_is() -> None:
    labels = halves()
    labels[:, :40] = 0
    whole = pairs_of(labels, maps(other=Surface.INSULATION))
    box = (slice(40, 100), slice(32, 200))
    seen = maps(other=Surface.INSULATION)
    part = Maps(gap=seen.gap[box], surface=seen.surface, size_px=(200, 120), corner_px=(32, 40))
    np.testing.assert_allclose(pairs_of(labels[box], part).features, whole.features)


def test_groups_are_joined_by_their_mean_log_odds() -> None:
    # By hand: 1 and 2 join first (0.9). Of that group with 3, the mean of the log-odds of 0.8
    # and 0.4 is (1.386 - 0.405) / 2 = 0.49, over the limit's 0; with 0.1 it is -0.41: it stays.
    groups = joined(4, odds((1, 2, 0.9), (1, 3, 0.8), (2, 3, 0.1)))
    assert groups.of.tolist() == [0, 1, 1, 3]
    assert groups.outer[[1, 3]] == pytest.approx([(log(4) - log(9)) / 2] * 2)
    groups = joined(4, odds((1, 2, 0.9), (1, 3, 0.8), (2, 3, 0.4)))
    assert groups.of.tolist() == [0, 1, 1, 1]
    assert groups.outer[1] == OUTER_LEAST


def test_what_met_another_is_told_whether_it_was_joined_or_not() -> None:
    groups = joined(6, odds((1, 2, 0.9), (3, 4, 0.1)))
    assert groups.of.tolist() == [0, 1, 1, 3, 4, 5]
    assert groups.meets.tolist() == [False, True, True, True, True, False]


def test_without_pairs_each_fragment_is_a_group() -> None:
    labels = drawn(((20, 20), (180, 20), 5), ((20, 100), (180, 100), 5))
    pairs = pairs_of(labels, maps())
    assert len(pairs.first) == 0
    assert joined(3, pairs).of.tolist() == [0, 1, 2]


def test_a_group_is_told_by_the_means_of_its_pixels() -> None:
    labels = np.array([[1, 1, 2, 0], [1, 1, 3, 3]], np.int32)
    piece = np.where(labels == 1, 0.9, 0.6).astype(np.float32)
    groups = joined(4, odds((1, 2, 0.9)))
    told = whole_features(labels, groups, piece, np.zeros_like(piece))
    by_name = [dict(zip(WHOLE_FEATURES, row, strict=True)) for row in told]
    # By hand: four pixels of 0.9 and one of 0.6; two of 0.6.
    assert by_name[1]["piece"] == pytest.approx(0.84)
    assert by_name[1]["area"] == pytest.approx(log(5))
    assert (by_name[1]["joined"], by_name[3]["joined"]) == (1, 0)
    assert by_name[3]["piece"] == pytest.approx(0.6)


@pytest.mark.parametrize(("name", "sign"), [("piece", 1), ("gap", -1), ("outer", -1)])
def test_what_was_joined_in_doubt_is_one_piece_less_surely(name: str, sign: int) -> None:
    rows = np.tile([0.9, 0.05, 7.0, 1.0, 0.0], (3, 1))
    rows[:, WHOLE_FEATURES.index(name)] += np.array([-0.05, 0, 0.05])
    p = whole_p(rows)
    assert (np.diff(p) * sign > 0).all()
