"""Agreement against printed worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest

from app.practice.statistics import cohen_kappa, confusion, share_of, trend


@pytest.mark.parametrize(
    ("table", "kappa", "se", "low", "high"),
    [
        # SAS PROC FREQ, printed in the tests of statsmodels (table10).
        ([[0, 4, 1], [0, 8, 0], [0, 1, 5]], 0.4842, 0.1380, 0.2137, 0.7547),
        # SAS PROC FREQ, printed on a web page on rater agreement.
        ([[0, 0, 0], [5, 16, 3], [8, 12, 28]], 0.3333, 0.0814, 0.1738, 0.4929),
    ],
)
def test_kappa_and_its_interval(
    table: list[list[int]], kappa: float, se: float, low: float, high: float
) -> None:
    found = cohen_kappa(table)
    assert found is not None
    assert [found.value, found.se, found.low95, found.high95] == pytest.approx(
        [kappa, se, low, high], abs=5e-5
    )


@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        # Textbook tables (the first by a web page; the pair from memory).
        ([[20, 5], [10, 15]], 0.4),
        ([[45, 15], [25, 15]], 0.1304),
        ([[25, 35], [5, 35]], 0.2593),
    ],
)
def test_kappa_of_textbook_tables(table: list[list[int]], kappa: float) -> None:
    found = cohen_kappa(table)
    assert found is not None and found.value == pytest.approx(kappa, abs=5e-5)


def test_the_interval_covers_the_true_kappa() -> None:
    # Answers right in 70 %, else one of the others; kappa of that is known exactly.
    rng = np.random.default_rng(3)
    truth_p, right = np.array([0.2, 0.5, 0.3]), 0.7
    p = np.diag(truth_p * right) + np.outer(truth_p, [1, 1, 1]) * (1 - right) / 2
    np.fill_diagonal(p, truth_p * right)
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    true = (np.trace(p) - rows @ columns) / (1 - rows @ columns)
    inside = 0
    for _ in range(600):
        found = cohen_kappa(rng.multinomial(80, p.ravel()).reshape(3, 3).tolist())
        assert found is not None
        inside += found.low95 <= true <= found.high95
    assert 0.92 < inside / 600 < 0.98


def test_all_right_is_not_known_for_sure() -> None:
    few, many = cohen_kappa([[3, 0], [0, 3]]), cohen_kappa([[50, 0], [0, 50]])
    assert few is not None and many is not None
    assert few.value == many.value == 1.0 == few.high95
    assert few.low95 < 0.2
    assert 0.8 < many.low95 < 1


def test_nothing_to_tell_apart_has_no_kappa() -> None:
    assert cohen_kappa([[0, 0], [0, 0]]) is None
    assert cohen_kappa([[7, 0], [0, 0]]) is None
    worse = cohen_kappa([[0, 5], [5, 0]])
    assert worse is not None and worse.value == pytest.approx(-1)


@pytest.mark.parametrize(("right", "count"), [(0, 1), (0, 10), (7, 10), (29, 30), (30, 30)])
def test_a_share_has_wilsons_interval(right: int, count: int) -> None:
    reference = binomtest(right, count).proportion_ci(method="wilson")
    share = share_of(right, count)
    assert share is not None
    assert (share.low95, share.high95) == pytest.approx((reference.low, reference.high), abs=1e-6)


def test_the_two_grades_mixed_up_most_count_both_ways() -> None:
    pairs = [("no1", "no2")] * 2 + [("no2", "no1")] * 2 + [("bare_bright", "no1")] * 3
    table = confusion(pairs + [("no1", "no1")] * 9, ("bare_bright", "no1", "no2"))
    assert table.counts == ((0, 3, 0), (0, 9, 2), (0, 2, 0))
    assert table.mixed_up_most == ("no1", "no2", 4)
    assert confusion([("no1", "no1")], ("no1",)).mixed_up_most is None
    assert confusion([("no1", "berry")], ("no1",)).grades == ("no1", "berry")


def test_the_trend_ends_with_the_latest_answers() -> None:
    runs = trend([False] * 15 + [True] * 20, window=10)
    assert [(run.right, run.count) for run in runs] == [(0, 5), (0, 10), (10, 10), (10, 10)]
    assert trend([]) == ()
    assert share_of(0, 0) is None
