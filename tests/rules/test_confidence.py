"""Source of the method: Guo et al. 2017, "On calibration of modern neural networks"."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.confidence import Temperature, is_decided, shipped_temperature
from rules.errors import ContractError


def test_none_has_been_fitted_yet_so_the_shares_stay_as_they_are() -> None:
    shipped = shipped_temperature()
    p = np.array([0.7, 0.2, 0.1])
    assert shipped.value == 1 or shipped.date, "a fitted temperature says when"
    assert np.array_equal(Temperature().applied(p), p)


@given(st.lists(st.floats(0, 1), min_size=2, max_size=6), st.floats(0.05, 20))
def test_a_temperature_keeps_the_order_and_the_sum(raw: list[float], value: float) -> None:
    p = np.array(raw) + 1e-9
    p /= p.sum()
    scaled = Temperature(value=value).applied(p)
    assert scaled.sum() == pytest.approx(1)
    assert scaled[p.argmax()] == scaled.max()


def test_two_is_the_square_root() -> None:
    scaled = Temperature(value=2.0).applied(np.array([0.8, 0.2]))
    assert scaled == pytest.approx([2 / 3, 1 / 3])  # sqrt(0.8) : sqrt(0.2) is 2 : 1


@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), float("inf")])
def test_a_temperature_that_cannot_be_is_refused(value: float) -> None:
    with pytest.raises(ContractError, match="temperature"):
        Temperature(value=value)


@pytest.mark.parametrize(
    ("p", "decided"),
    [
        ([0.8, 0.1, 0.1], True),
        ([0.86, 0.14, 0.0], True),
        ([0.84, 0.16, 0.0], False),
        ([0.79, 0.11, 0.1], False),
        ([1.0], True),
    ],
)
def test_a_grade_is_decided_where_it_is_likely_and_no_other_is_near(
    p: list[float], decided: bool
) -> None:
    assert is_decided(np.array(p)) is decided
