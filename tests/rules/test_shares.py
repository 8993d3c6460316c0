"""Drawn shares against the moments that were asked for.

Method: generalised Dirichlet, Connor and Mosimann, J. Am. Stat. Assoc. 64 (1969) 194.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.shares import draw_shares

N = 40_000


def drawn(values: list[float], u: list[float], *, draws: int = N) -> np.ndarray:
    return draw_shares(values, u, rng=np.random.default_rng(5), draws=draws)


@pytest.mark.parametrize(
    ("values", "u"),
    [
        ([0.5, 0.3, 0.2], [0.05, 0.05, 0.05]),
        ([0.1, 0.5, 0.4], [0.02, 0.15, 0.15]),  # one well known, two not
        ([0.9, 0.04, 0.03, 0.02, 0.01], [0.1, 0.02, 0.02, 0.02, 0.01]),
        ([0.6, 0.4], [0.3, 0.3]),
    ],
)
def test_means_are_exact_and_deviations_too_but_for_the_largest(
    values: list[float], u: list[float]
) -> None:
    shares = drawn(values, u)
    assert np.all(shares >= 0)
    assert np.allclose(shares.sum(axis=0), 1)
    for i, value in enumerate(values):
        assert shares[i].mean() == pytest.approx(value, abs=5 * u[i] / N**0.5 + 1e-4)
        if value < max(values):
            assert shares[i].std() == pytest.approx(u[i], rel=0.03)


def test_a_well_known_share_is_nearly_normal() -> None:
    share = drawn([0.3, 0.7], [0.02, 0.02])[0]
    low, high = np.percentile(share, [2.5, 97.5])
    assert (low, high) == pytest.approx((0.3 - 1.96 * 0.02, 0.3 + 1.96 * 0.02), abs=0.003)


def test_a_share_too_doubtful_for_its_mean_is_all_or_nothing() -> None:
    share = drawn([0.1, 0.9], [0.9, 0.9])[0]
    assert share.mean() == pytest.approx(0.1, abs=0.01)
    assert ((share < 0.01) | (share > 0.99)).mean() > 0.98


def test_without_doubt_every_draw_is_the_estimate() -> None:
    shares = drawn([0.5, 0.3, 0.2], [0, 0, 0])
    assert np.allclose(shares, np.array([[0.5], [0.3], [0.2]]), atol=5e-4)


def test_a_share_of_nothing_is_nothing() -> None:
    assert np.all(drawn([1.0, 0.0], [0.1, 0.1])[1] == 0)


@settings(max_examples=60, deadline=None)
@given(
    values=st.lists(st.floats(0, 1), min_size=2, max_size=5).filter(lambda v: sum(v) > 1e-6),
    u=st.lists(st.floats(0, 1), min_size=5, max_size=5),
)
def test_any_shares_can_be_drawn(values: list[float], u: list[float]) -> None:
    shares = drawn(values, u[: len(values)], draws=200)
    assert np.all(np.isfinite(shares))
    assert np.all((shares >= 0) & (shares <= 1))
    assert np.allclose(shares.sum(axis=0), 1)
