"""Loads and plans in words."""

from __future__ import annotations

import pytest

from app.load.report import pull_words


@pytest.mark.parametrize(
    ("gain", "told"),
    [
        (6.5, "USD +6.50"),
        (0.0, "nothing alone, only with the next one"),
        (-0.004, "nothing alone, only with the next one"),
    ],
)
def test_a_pull_that_needs_the_next_one_says_so(gain: float, told: str) -> None:
    assert pull_words(gain, "USD") == told
