"""Source of the method: Guo et al. 2017, "On calibration of modern neural networks"."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.confidence import PLAIN, Calibration, is_decided, photo_calibration, plausible
from rules.errors import ContractError


def test_what_ships_says_when_and_on_what_it_was_fitted() -> None:
    shipped = photo_calibration()
    p = np.array([0.7, 0.2, 0.1])
    assert shipped.temperature == 1 or (shipped.date and shipped.source)
    assert np.array_equal(PLAIN.applied(p), p)


@given(st.lists(st.floats(0, 1), min_size=2, max_size=6), st.floats(0.05, 20))
def test_a_temperature_keeps_the_order_and_the_sum(raw: list[float], value: float) -> None:
    p = np.array(raw) + 1e-9
    p /= p.sum()
    scaled = Calibration(temperature=value).applied(p)
    assert scaled.sum() == pytest.approx(1)
    assert scaled[p.argmax()] == scaled.max()


def test_two_is_the_square_root() -> None:
    scaled = Calibration(temperature=2.0).applied(np.array([0.8, 0.2]))
    assert scaled == pytest.approx([2 / 3, 1 / 3])  # sqrt(0.8) : sqrt(0.2) is 2 : 1


@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), float("inf")])
def test_a_temperature_that_cannot_be_is_refused(value: float) -> None:
    with pytest.raises(ContractError, match="temperature"):
        Calibration(temperature=value)


def test_a_lapse_leaves_every_grade_its_share() -> None:
    told = Calibration(lapse=0.06).applied(np.array([1.0, 0.0, 0.0]))
    assert told == pytest.approx([0.96, 0.02, 0.02])  # 0.94 + 0.06 / 3, and 0.06 / 3


@pytest.mark.parametrize("name", ["lapse", "plausible_p"])
def test_a_share_beyond_one_is_refused(name: str) -> None:
    beyond: dict[str, Any] = {name: 1.2}
    with pytest.raises(ContractError, match=name):
        Calibration(**beyond)


def test_plausible_grades_come_most_likely_first_and_never_none() -> None:
    fine, coarse = Calibration(plausible_p=0.15), Calibration(plausible_p=0.9)
    p = np.array([0.2, 0.7, 0.1])
    assert plausible(p, fine).tolist() == [1, 0]
    assert plausible(p, coarse).tolist() == [1]


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


def test_each_grade_has_a_limit_of_its_own() -> None:
    # Class-conditional conformal sets: Sadinle, Lei and Wasserman 2019, "Least ambiguous
    # set-valued classifiers with bounded error levels", section 2.
    by_grade = Calibration(plausible_p=0.3, plausible_p_of={"a": 0.5, "b": 0.05})
    p = np.array([0.45, 0.35, 0.2])
    assert plausible(p, by_grade, grades=("a", "b", "c")).tolist() == [1]
    assert plausible(p, by_grade, grades=("b", "a", "c")).tolist() == [0]
    assert plausible(p, by_grade).tolist() == [0, 1], "without names one limit serves all"


def test_what_ships_tells_photos_and_mix() -> None:
    shipped = photo_calibration()
    assert shipped.photos > 0
    assert shipped.mix


@pytest.mark.parametrize("value", [-0.1, 1.0])
def test_a_limit_of_a_grade_beyond_one_is_refused(value: float) -> None:
    with pytest.raises(ContractError, match="plausible_p of a"):
        Calibration(plausible_p_of={"a": value})
