"""Which cards next? What is due, mixed with what is new, weak spots first.

Topics that a helper gets wrong come more often, and two cards of one topic don't
follow each other where another is left: telling kinds apart is learned from seeing
them side by side (interleaving; Kornell and Bjork 2008, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

import numpy as np

from app.practice.cards import PracticeCard, Topic
from app.practice.schedule import CardState, chance_of_knowing

NEW_PART = 0.4
"""At most this part of a round is new while cards are due; common practice, no source."""


def weakness(tallies: Mapping[Topic, tuple[int, int]], topic: Topic) -> float:
    """Return how likely the next card of a topic is answered wrongly.

    Laplace's rule of succession: ``(wrong + 1) / (answers + 2)``; one half for a topic
    never seen.

    Args:
        tallies: ``(wrong, answers)`` by topic.
    """
    wrong, answers = tallies.get(topic, (0, 0))
    return (wrong + 1) / (answers + 2)


def next_round(
    cards: Sequence[PracticeCard],
    states: Mapping[str, CardState],
    tallies: Mapping[Topic, tuple[int, int]],
    *,
    count: int,
    now: datetime,
    seed: int,
) -> tuple[PracticeCard, ...]:
    """Return the next cards: due ones, new ones, then those nearest to being forgotten.

    Args:
        cards: All there are; keys differ.
        states: Schedule of the cards seen before, by key.
        tallies: ``(wrong, answers)`` by topic.
        count: How many; fewer come only where there are fewer.
        now: The moment, with its time zone.
        seed: Same seed, same round.
    """
    rng = np.random.default_rng(seed)
    due = [c for c in cards if c.key in states and states[c.key].due_utc <= now]
    new = [c for c in cards if c.key not in states]
    later = [c for c in cards if c.key in states and states[c.key].due_utc > now]
    due = _drawn(due, [weakness(tallies, c.topic) for c in due], rng)
    new = _drawn(new, [weakness(tallies, c.topic) for c in new], rng)
    later.sort(key=lambda c: chance_of_knowing(states[c.key], now=now))

    fresh = min(len(new), max(round(NEW_PART * count), count - len(due)))
    chosen = due[: count - fresh] + new[:fresh]
    chosen += later[: count - len(chosen)]
    return tuple(_apart(_drawn(chosen, [1.0] * len(chosen), rng)))


def _drawn(
    cards: list[PracticeCard], weights: list[float], rng: np.random.Generator
) -> list[PracticeCard]:
    """Return the cards in random order, heavy ones rather first (Efraimidis, Spirakis 2006)."""
    keys = rng.exponential(size=len(cards)) / np.array(weights)
    return [cards[i] for i in np.argsort(keys)]


def _apart(cards: list[PracticeCard]) -> list[PracticeCard]:
    """Return the cards so that no topic follows itself, wherever that can be.

    Each time the topic with most cards left, unless it came last.
    """
    left: dict[Topic, list[PracticeCard]] = {}
    for card in cards:
        left.setdefault(card.topic, []).append(card)
    ordered: list[PracticeCard] = []
    while left:
        last = ordered[-1].topic if ordered else None
        topics = [topic for topic in left if topic != last] or list(left)
        topic = max(topics, key=lambda t: len(left[t]))
        ordered.append(left[topic].pop(0))
        if not left[topic]:
            del left[topic]
    return ordered
