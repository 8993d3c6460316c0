"""Tables with print on them."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.tables.printed import grey_paper, paper, print_rows, white_paper
from models.recipe.tables.table_skin import table_dye, tinted

GREEN = np.array([0.2126, 0.7152, 0.0722])
"""Luminance of linear sRGB (IEC 61966-2-1)."""


def test_white_paper_is_white_and_grey_paper_is_grey() -> None:
    for seed in range(10):
        white = white_paper(200, 0.5, np.random.default_rng([81, seed])).base
        grey = grey_paper(200, 0.5, np.random.default_rng([82, seed])).base
        # Common papers send back 0.7 to 0.9 of the light (from memory).
        assert 0.6 < np.quantile(white @ GREEN, 0.9) < 0.92
        assert np.quantile(grey @ GREEN, 0.9) < 0.62
        for base in (white, grey):
            middle = np.median(base.reshape(-1, 3), axis=0)
            assert np.ptp(middle) < 0.06


def test_print_is_rows_of_ink_with_paper_between() -> None:
    ink = print_rows((300, 300), 0.5, np.random.default_rng(1))
    rows = ink.max(axis=1) > 0
    assert 0.2 < rows.mean() < 0.95
    assert 0.02 < (ink > 0).mean() < 0.6


def test_a_kind_of_paper_can_be_asked_for() -> None:
    kraft = paper(120, 0.5, np.random.default_rng(2), kind="kraft").base.reshape(-1, 3).mean(axis=0)
    assert kraft[0] > kraft[1] > kraft[2]


def test_tints_run_from_dark_to_light_and_dyes_keep_their_range() -> None:
    field = np.linspace(-4, 4, 50, dtype=np.float32)[None]
    told = tinted(field, np.zeros(3), np.ones(3))
    assert told[0, 0].max() < 0.02
    assert told[0, -1].min() > 0.98
    rng = np.random.default_rng(3)
    means = [float(table_dye(rng, 0.1, 0.5).mean()) for _ in range(100)]
    assert min(means) == pytest.approx(0.1, abs=0.06)
    assert max(means) <= 0.5 + 1e-9
