"""Answers of a helper that practised."""

from __future__ import annotations

from datetime import UTC, datetime

from app.practice.cards import Topic
from app.practice.store import CardAnswer
from rules.sheet import load_sheet

HOUSE = load_sheet("house")
GRADES = HOUSE.grade_ids


TITLES = {grade: HOUSE.title_of(grade) for grade in GRADES}


def told(truth: str, answered: str, number: int = 0) -> CardAnswer:
    return CardAnswer(
        id=str(number),
        card_key=f"card {number}",
        topic=Topic.BRASS,
        truth=truth,
        answered=answered,
        reason_right=True,
        seconds=3.0,
        test_id=None,
        answered_utc=datetime(2026, 1, 1, tzinfo=UTC),
    )


ANSWERS = [
    told(truth, answered, number)
    for number, (truth, answered) in enumerate(
        [("no1", "no1")] * 12 + [("no2", "no2")] * 9 + [("no2", "no1")] * 3 + [("no1", "no2")] * 2
    )
]
