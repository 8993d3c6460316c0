"""When should a helper see a card again? By the open FSRS algorithm (package ``fsrs``).

FSRS (Free Spaced Repetition Scheduler) models how long each card is remembered from
the answers so far, and shows it again when the chance of still knowing it has fallen
to nine in ten. No randomness is added: the same answers give the same days.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fsrs import Card, Scheduler

DESIRED_RETENTION = 0.9
"""Chance of still knowing a card when it comes up; the algorithm's own default."""

LONGEST_DAYS = 180
"""A trade that is practised daily should see each trap twice a year; common practice,
no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CardState:
    """What the algorithm knows of one card and one helper.

    Attributes:
        state: 1 learning, 2 review, 3 relearning, as the algorithm numbers them.
        step: Learning step, None in review.
        stability: Days after which the chance of knowing it is nine in ten.
        difficulty: 1 easy to 10 hard.
        due_utc: When to show it again.
        last_review_utc: When it was last answered.
    """

    state: int
    step: int | None
    stability: float | None
    difficulty: float | None
    due_utc: datetime
    last_review_utc: datetime | None


def after_answer(
    before: CardState | None, *, right: bool, reason_right: bool | None, now: datetime
) -> CardState:
    """Return a card's state after an answer.

    A wrong grade counts as forgotten, the right grade for a wrong reason as hard, the
    right grade (with the right reason, where one was asked for) as known.

    Args:
        before: Its state, None for a card never seen.
        now: The moment of the answer, with its time zone.
    """
    from fsrs import Card, Rating, State

    known = Rating.Hard if reason_right is False else Rating.Good
    rating = known if right else Rating.Again
    card = Card(card_id=1, due=now) if before is None else _card(before)
    after, _ = _scheduler().review_card(card, rating, now)
    return CardState(
        state=int(State(after.state)),
        step=after.step,
        stability=after.stability,
        difficulty=after.difficulty,
        due_utc=after.due,
        last_review_utc=after.last_review,
    )


def chance_of_knowing(state: CardState, *, now: datetime) -> float:
    """Return the chance that the card is still known, 0 to 1."""
    return float(_scheduler().get_card_retrievability(_card(state), now))


@cache
def _scheduler() -> Scheduler:
    from fsrs import Scheduler

    return Scheduler(
        desired_retention=DESIRED_RETENTION, maximum_interval=LONGEST_DAYS, enable_fuzzing=False
    )


def _card(state: CardState) -> Card:
    from fsrs import Card, State

    return Card(
        card_id=1,
        state=State(state.state),
        step=state.step,
        stability=state.stability,
        difficulty=state.difficulty,
        due=state.due_utc,
        last_review=state.last_review_utc,
    )
