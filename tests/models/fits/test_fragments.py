"""Fitting how fragments are joined, by hand and on drawn numbers."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.fits.fragments import _print_found, best_of, fitted


def test_each_piece_is_found_by_one_group_at_the_most() -> None:
    # By hand: both groups overlap the first piece best, and only one may be it.
    overlap = np.array([[0.8, 0.0], [0.6, 0.4], [0.2, 0.0]])
    assert best_of(overlap).tolist() == [0.8, 0.4, 0.0]


def test_photos_count_found_false_and_good_overlaps(capsys: pytest.CaptureFixture[str]) -> None:
    # By hand: of five true pieces two are found, one of them by more than one half; two groups of
    # the first photo's three are those, one and both of the next are false.
    overlap = np.array([[0.8, 0.0, 0.0], [0.0, 0.4, 0.0], [0.2, 0.0, 0.0]])
    _print_found("all", [overlap, np.zeros((2, 0)), np.zeros((0, 2))])
    # The quality is 0.8 / (1 + 4 / 2 + 4 / 2).
    assert capsys.readouterr().out == "all: found 0.400, false 0.600, quality 0.160, n 5\n"


def test_the_fit_finds_the_odds_that_the_numbers_were_drawn_with() -> None:
    rng = np.random.default_rng(4)
    x = rng.normal(size=(20_000, 2)) * (1, 10)
    odds = 1.5 * x[:, 0] - 0.2 * x[:, 1] + 0.5
    weights, offset = fitted(x, rng.random(len(x)) < 1 / (1 + np.exp(-odds)))
    assert weights == pytest.approx([1.5, -0.2], rel=0.06)
    assert offset == pytest.approx(0.5, abs=0.06)
