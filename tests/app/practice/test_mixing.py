"""Rounds: due first, weak spots more often, topics apart."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise

from app.practice.cards import PracticeCard, Topic
from app.practice.mixing import next_round, weakness
from app.practice.schedule import CardState, after_answer
from tests.rules.pieces import tube

NOW = datetime(2026, 1, 1, tzinfo=UTC)


def card(number: int, topic: Topic = Topic.PLAIN) -> PracticeCard:
    return PracticeCard(
        key=f"k{number}",
        topic=topic,
        grade="no1",
        row="clean-tube",
        reason="r",
        findings=tube(),
        place=None,
    )


def seen(days_ago: float, *, right: bool = True) -> CardState:
    return after_answer(None, right=right, reason_right=None, now=NOW - timedelta(days=days_ago))


def test_due_cards_come_first_but_leave_room_for_new_ones() -> None:
    cards = [card(n) for n in range(40)]
    states = {c.key: seen(3) for c in cards[:20]}
    chosen = next_round(cards, states, {}, count=10, now=NOW, seed=1)
    due = sum(c.key in states for c in chosen)
    assert (len(chosen), due) == (10, 6)
    few = {c.key: seen(3) for c in cards[:2]}
    chosen = next_round(cards, few, {}, count=10, now=NOW, seed=1)
    assert sum(c.key in few for c in chosen) == 2 and len(chosen) == 10


def test_a_round_is_filled_with_what_is_nearest_to_being_forgotten() -> None:
    cards = [card(n) for n in range(6)]
    states = {}
    for number, c in enumerate(cards):
        state = seen(1 + number)
        states[c.key] = replace(state, due_utc=NOW + timedelta(days=9))
    chosen = next_round(cards, states, {}, count=3, now=NOW, seed=1)
    assert {c.key for c in chosen} == {"k3", "k4", "k5"}
    assert len(next_round(cards, states, {}, count=99, now=NOW, seed=1)) == 6
    assert next_round([], {}, {}, count=5, now=NOW, seed=1) == ()


def test_weak_spots_come_more_often() -> None:
    cards = [card(n, Topic.SOLDER if n % 2 else Topic.PLAIN) for n in range(40)]
    tallies = {Topic.SOLDER: (9, 10), Topic.PLAIN: (0, 10)}
    drawn: Counter[Topic] = Counter()
    for seed in range(60):
        drawn.update(c.topic for c in next_round(cards, {}, tallies, count=6, now=NOW, seed=seed))
    assert drawn[Topic.SOLDER] > 2.5 * drawn[Topic.PLAIN]
    assert weakness(tallies, Topic.SOLDER) == 10 / 12
    assert weakness({}, Topic.GREEN) == 0.5


def test_no_topic_follows_itself_where_that_can_be() -> None:
    topics = [Topic.PLAIN] * 5 + [Topic.SOLDER] * 3 + [Topic.BRASS] * 2
    cards = [card(n, topic) for n, topic in enumerate(topics)]
    for seed in range(20):
        chosen = next_round(cards, {}, {}, count=10, now=NOW, seed=seed)
        assert len({c.key for c in chosen}) == 10
        assert all(a.topic is not b.topic for a, b in pairwise(chosen))


def test_the_same_seed_gives_the_same_round() -> None:
    cards = [card(n) for n in range(30)]
    rounds = [next_round(cards, {}, {}, count=8, now=NOW, seed=s) for s in (1, 1, 2)]
    assert rounds[0] == rounds[1] != rounds[2]
