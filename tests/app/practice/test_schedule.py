"""When a card comes again, against published intervals of the algorithm."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from app.practice.schedule import CardState, after_answer, chance_of_knowing

START = datetime(2022, 11, 29, 12, 30, tzinfo=UTC)


def test_the_intervals_are_those_of_the_algorithm() -> None:
    # py-fsrs 6.3.2 with its own settings: six times known, twice forgotten, five times
    # known, each on the day it is due. Ours stops at 180 days, so it is followed until then.
    state: CardState | None = None
    now, days = START, []
    for right in [True] * 5 + [False] * 2 + [True] * 3:
        state = after_answer(state, right=right, reason_right=None, now=now)
        assert state.last_review_utc == now
        days.append((state.due_utc - now).days)
        now = state.due_utc
    assert days[:5] == [0, 2, 11, 46, 163]
    assert days[5:7] == [0, 0] and days[7] >= 0


def test_no_card_is_away_longer_than_half_a_year() -> None:
    state, now = None, START
    for _ in range(9):
        state = after_answer(state, right=True, reason_right=None, now=now)
        now = state.due_utc
    assert state is not None and state.last_review_utc is not None
    assert state.due_utc - state.last_review_utc == timedelta(days=180)


@pytest.mark.parametrize("seen", [0, 2, 4])
def test_a_worse_answer_brings_it_back_sooner(seen: int) -> None:
    state, now = None, START
    for _ in range(seen):
        state = after_answer(state, right=True, reason_right=True, now=now)
        now = state.due_utc
    wrong, half, known = (
        after_answer(state, right=right, reason_right=reason, now=now)
        for right, reason in ((False, None), (True, False), (True, True))
    )
    assert wrong.due_utc <= half.due_utc <= known.due_utc
    assert wrong.due_utc < known.due_utc


def test_what_is_due_is_known_with_nine_in_ten() -> None:
    state, now = None, START
    for _ in range(4):
        state = after_answer(state, right=True, reason_right=None, now=now)
        now = state.due_utc
    assert state is not None
    assert chance_of_knowing(state, now=now) == pytest.approx(0.9, abs=0.01)
    later = chance_of_knowing(state, now=now + timedelta(days=100))
    assert later < chance_of_knowing(state, now=now)
