"""The evening's plan: exact, against every combination."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.load.knapsack import Choice, best_choices
from app.load.units import LoadError

choices = st.builds(
    Choice, steps=st.integers(0, 12), worth=st.integers(-50, 400).map(lambda cents: cents / 4)
)


def test_a_small_one_by_hand() -> None:
    # In 10 steps: 6 for 30 leaves 4; 5 + 5 for 20 + 20 = 40 is better.
    groups = [[Choice(steps=6, worth=30)], [Choice(steps=5, worth=20)], [Choice(steps=5, worth=20)]]
    assert best_choices(groups, steps=10) == (None, 0, 0)
    # With 11 both 6 + 5 = 50 fit.
    assert best_choices(groups, steps=11) in ((0, 0, None), (0, None, 0))


@settings(max_examples=150, deadline=None)
@given(st.lists(st.lists(choices, max_size=3), max_size=5), st.integers(0, 30))
def test_no_other_combination_is_worth_more(groups: list[list[Choice]], steps: int) -> None:
    best = 0.0
    for picked in product(*[[None, *group] for group in groups]):
        taken = [one for one in picked if one is not None]
        if sum(one.steps for one in taken) <= steps:
            best = max(best, sum(one.worth for one in taken))
    told = best_choices(groups, steps=steps)
    taken = [group[i] for group, i in zip(groups, told, strict=True) if i is not None]
    assert sum(one.steps for one in taken) <= steps
    assert sum(one.worth for one in taken) == pytest.approx(best)
    assert all(one.worth > 0 for one in taken)


def test_of_equal_answers_the_quicker_one() -> None:
    groups = [[Choice(steps=8, worth=5), Choice(steps=3, worth=5)]]
    assert best_choices(groups, steps=10) == (1,)


def test_what_takes_no_time_always_fits() -> None:
    assert best_choices([[Choice(steps=0, worth=1)], [Choice(steps=1, worth=9)]], steps=0) == (
        0,
        None,
    )


def test_time_that_can_not_be_is_refused() -> None:
    with pytest.raises(LoadError):
        best_choices([], steps=-1)
    with pytest.raises(LoadError):
        best_choices([[Choice(steps=-1, worth=1)]], steps=5)
