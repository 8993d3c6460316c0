"""Figures of the benches against formulas by hand and against SciPy."""

from __future__ import annotations

from math import isnan

import numpy as np
import pytest
from scipy import stats

from models.recipe.figures import bootstrap, calibration_error, calibration_floor


def test_a_gap_in_each_bin_is_weighed_by_its_answers() -> None:
    # Said 1.0 and right half the time; said 0.5 and right half the time: (0.5 + 0) / 2.
    said, right = [1.0, 1.0, 0.5, 0.5] * 10, [True, False] * 20
    assert calibration_error(said, right, bins=2) == pytest.approx(0.25)
    assert calibration_error([1.0] * 40, right, bins=10) == pytest.approx(0.5)


def test_answers_as_right_as_they_say_err_by_chance_alone() -> None:
    # 100 answers a bin: the mean of |share - p| is sqrt(2 p (1 - p) / (pi n)), at most 0.04.
    rng = np.random.default_rng(3)
    said = rng.uniform(0.5, 1.0, 1500)
    assert calibration_error(said, rng.random(1500) < said) < 0.04


def test_without_answers_there_is_no_error() -> None:
    assert isnan(calibration_error([], []))


@pytest.mark.parametrize("statistic", [np.mean, np.median])
def test_the_interval_is_that_of_scipy(statistic: object) -> None:
    values = np.random.default_rng(1).gamma(2.0, size=60)
    reference = stats.bootstrap(
        (values,), statistic, method="percentile", n_resamples=4000, random_state=2
    ).confidence_interval
    width = reference.high - reference.low
    # Both ends scatter by a twentieth of the width over draws of 1,000.
    assert bootstrap(values, statistic) == pytest.approx(tuple(reference), abs=0.15 * width)  # type: ignore[arg-type]


def test_what_is_calibrated_shows_the_floor_and_what_is_not_shows_more() -> None:
    rng = np.random.default_rng(3)
    said = rng.uniform(0.5, 1.0, 200)
    mean, low, high = calibration_floor(said)
    assert low < mean < high
    assert low <= calibration_error(said, rng.random(200) < said) <= high
    assert calibration_error(said, rng.random(200) < said - 0.25) > high


def test_the_floor_falls_with_the_number_of_answers() -> None:
    # A bin of m answers of p is off by sqrt(2 p (1 - p) / (pi m)) in the mean.
    few, many = calibration_floor([0.8] * 60)[0], calibration_floor([0.8] * 6000)[0]
    assert few == pytest.approx((2 * 0.8 * 0.2 / (np.pi * 4)) ** 0.5, rel=0.1)
    assert many == pytest.approx((2 * 0.8 * 0.2 / (np.pi * 400)) ** 0.5, rel=0.1)
