"""How pairs with the flash are judged."""

from __future__ import annotations

import numpy as np
import pytest

from bench.flash import decided, interval, kind_of


def test_what_is_decided_is_read_off_other_pieces() -> None:
    rng = np.random.default_rng(1)
    logit = rng.normal(0, 3, 4000)
    there = (rng.random(4000) < 1 / (1 + np.exp(-logit))).astype(float)
    share, wrong = decided(logit, there, np.arange(4000))
    # Of a calibrated logistic, errors among the surest are their mean 1 / (1 + e^|x|).
    strength = np.sort(np.abs(logit))[::-1]
    mean = np.cumsum(1 / (1 + np.exp(strength))) / np.arange(1, 4001)
    assert share == pytest.approx((mean <= 0.02).mean(), abs=0.06)
    assert wrong == pytest.approx(0.02, abs=0.012)


def test_nothing_is_decided_by_chance() -> None:
    rng = np.random.default_rng(2)
    share, _ = decided(rng.normal(0, 1, 1000), (rng.random(1000) < 0.5) * 1.0, np.arange(1000))
    assert share < 0.05


def test_an_interval_widens_where_rows_are_of_few_pieces() -> None:
    right = (np.random.default_rng(3).random(300) < 0.8).astype(float)
    wide = [
        np.ptp(interval(lambda k: float(right[k].mean()), piece))
        for piece in (np.arange(300), np.repeat(np.arange(10), 30))
    ]
    # sqrt(0.8 * 0.2 / 300) is 2.3 %, and 95 % are 3.92 times that (binomial).
    assert wide[0] == pytest.approx(3.92 * 0.023, rel=0.25)
    right = np.repeat(np.arange(10) < 8, 30).astype(float)
    assert np.ptp(interval(lambda k: float(right[k].mean()), np.repeat(np.arange(10), 30))) > 0.3


def test_pieces_are_told_by_coat_gloss_and_finish() -> None:
    facts = {"coat": 1.0, "base": [0.9, 0.6, 0.5], "film": 0.02, "finish": "lacquer"}
    assert kind_of(facts) == "clear coat, mirror"
    assert kind_of(facts | {"base": [0.6, 0.2, 0.1], "film": 0.2}) == "coloured coat, dull"
    assert kind_of(facts | {"coat": 0.0, "finish": "dull"}) == "dull"
