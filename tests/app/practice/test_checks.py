"""Rows of practice that come in by an import: what the page could not show is refused."""

from __future__ import annotations

import json
from typing import Any

import pytest
from fsrs import State

from app.practice.cards import Topic
from app.practice.checks import MOST_CARDS, ROWS
from app.records.models import Base
from rules.errors import CuproscopeError

Row = dict[str, Any]

WHOLE: dict[str, Row] = {
    "helper": {"name": "Ada", "name_key": "ada"},
    "practice_schedule": {
        "card_key": "render/a", "state": 2, "step": None, "stability": 3.2, "difficulty": 5.0,
    },
    "practice_test": {"card_keys": json.dumps(["a", "b"])},
    "practice_answer": {
        "card_key": "render/a", "truth": "no1", "answered": "no2",
        "topic": str(next(iter(Topic))), "seconds": 4.5,
    },
}  # fmt: skip


@pytest.mark.parametrize("table", WHOLE)
def test_what_the_page_writes_gets_in(table: str) -> None:
    assert table in Base.metadata.tables
    ROWS[table](WHOLE[table])


@pytest.mark.parametrize("state", State)
def test_every_state_of_the_schedule_is_one(state: State) -> None:
    # The states of FSRS: learning, review, relearning.
    ROWS["practice_schedule"](WHOLE["practice_schedule"] | {"state": int(state)})


@pytest.mark.parametrize("topic", Topic)
def test_every_topic_is_one(topic: Topic) -> None:
    ROWS["practice_answer"](WHOLE["practice_answer"] | {"topic": str(topic), "seconds": None})


@pytest.mark.parametrize(
    ("table", "changed"),
    [
        ("helper", {"name_key": "bob"}),
        ("helper", {"name": "a\nb"}),
        ("practice_schedule", {"card_key": ""}),
        ("practice_schedule", {"state": 4}),
        ("practice_schedule", {"step": -1}),
        ("practice_schedule", {"stability": float("nan")}),
        ("practice_schedule", {"difficulty": 0.0}),
        ("practice_test", {"card_keys": "{"}),
        ("practice_test", {"card_keys": '{"a": 1}'}),
        ("practice_test", {"card_keys": "[1]"}),
        ("practice_test", {"card_keys": '["a\\nb"]'}),
        ("practice_test", {"card_keys": json.dumps(["a"] * (MOST_CARDS + 1))}),
        ("practice_test", {"card_keys": "[" * 100_000}),
        ("practice_answer", {"topic": "astrology"}),
        ("practice_answer", {"truth": ""}),
        ("practice_answer", {"answered": "x" * 500}),
        ("practice_answer", {"seconds": -1.0}),
        ("practice_answer", {"seconds": float("inf")}),
    ],
)
def test_what_can_not_be_is_refused(table: str, changed: Row) -> None:
    with pytest.raises((CuproscopeError, ValueError)):
        ROWS[table](WHOLE[table] | changed)
