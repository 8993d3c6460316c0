"""Figures of the benches against formulas by hand and against SciPy."""

from __future__ import annotations

from math import isnan

import numpy as np
import pytest
from scipy import stats

from bench.figures import bootstrap, calibration_error


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
