"""Helpers, their answers and their progress, kept beside the records.

practice = Practice(records)
helper = practice.add_helper("Robin")
for card in practice.next_cards(helper.id, cards):
    practice.answer(helper.id, card, grade="no1", row="clean-tube")
practice.progress(helper.id, grades=sheet.grade_ids)
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from sqlalchemy import select

from app.practice.cards import PracticeCard, Topic
from app.practice.mixing import next_round
from app.practice.schedule import CardState, after_answer
from app.practice.statistics import (
    Confusion,
    Kappa,
    Share,
    cohen_kappa,
    confusion,
    share_of,
    trend,
)
from app.practice.tables import AnswerRow, HelperRow, PracticeTestRow, ScheduleRow
from app.records.errors import NoSuchRecordError, RecordsError
from app.records.models import WORD_LENGTH
from app.records.rows import GONE, find_row, value_of
from app.records.text import name_key, one_line
from app.records.times import now_utc

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from app.records.store import Records

ROUND = 10
TEST_CARDS = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Helper:
    """Somebody who practises."""

    id: str
    name: str
    created_utc: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class CardAnswer:
    """One answer to one card.

    Attributes:
        reason_right: Whether the reason was right; None where none was asked for.
        test_id: The test it belongs to, None in practice.
    """

    id: str
    card_key: str
    topic: Topic
    truth: str
    answered: str
    reason_right: bool | None
    seconds: float | None
    test_id: str | None
    answered_utc: datetime

    @property
    def is_right(self) -> bool:
        """Whether the grade was right."""
        return self.truth == self.answered


@dataclass(frozen=True, slots=True, kw_only=True)
class PracticeTest:
    """A test: the same cards in the same order for everybody.

    Attributes:
        card_keys: Its cards, in order.
        answers: Those given so far, in the order of the cards.
    """

    id: str
    helper_id: str
    card_keys: tuple[str, ...]
    begun_utc: datetime
    answers: tuple[CardAnswer, ...] = ()

    @property
    def left(self) -> tuple[str, ...]:
        """Keys of the cards still to be answered."""
        done = {answer.card_key for answer in self.answers}
        return tuple(key for key in self.card_keys if key not in done)

    @property
    def is_finished(self) -> bool:
        """Whether every card was answered."""
        return not self.left


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How a helper is doing.

    Attributes:
        right: Share of right grades.
        reasons_right: Share of right reasons among the answers that gave one.
        kappa: Agreement with the truth, all answers; None while nothing was told apart.
        first_kappa: The same for the first answer to each card, which memory can't help.
        confusion: Answers by true grade.
        topics: Share right by topic, the weakest first.
        trend: Share right in runs of answers, oldest first.
    """

    right: Share | None
    reasons_right: Share | None
    kappa: Kappa | None
    first_kappa: Kappa | None
    confusion: Confusion
    topics: tuple[tuple[Topic, Share], ...]
    trend: tuple[Share, ...]


class Practice:
    """Practice of all helpers; as safe to share between threads as the records."""

    def __init__(self, records: Records) -> None:
        self._records = records

    # -- helpers ------------------------------------------------------------------

    def helpers(self) -> tuple[Helper, ...]:
        """Return all helpers by name."""
        with self._records.reading() as session:
            rows = session.scalars(select(HelperRow).order_by(HelperRow.name_key))
            return tuple(map(_helper, rows))

    def add_helper(self, name: str) -> Helper:
        """Return the helper of this name, new or the one there is."""
        name, key = one_line(name), name_key(name)
        if not key:
            raise RecordsError("a helper needs a name", where="helper")
        with self._records.writing() as session:
            row = session.scalars(select(HelperRow).where(HelperRow.name_key == key)).one_or_none()
            if row is None:
                row = HelperRow(name=name, name_key=key)
                session.add(row)
                session.flush()
            return _helper(row)

    def remove_helper(self, helper_id: str) -> None:
        """Delete a helper with all answers and tests."""
        with self._records.writing() as session:
            session.delete(find_row(session, HelperRow, helper_id, "helper"))

    # -- practice -----------------------------------------------------------------

    def next_cards(
        self,
        helper_id: str,
        cards: Sequence[PracticeCard],
        *,
        now: datetime | None = None,
    ) -> tuple[PracticeCard, ...]:
        """Return the cards that this helper should see next: until an answer comes, the same.

        Args:
            cards: All cards there are.
            now: The moment; None takes the clock.
        """
        with self._records.reading() as session:
            find_row(session, HelperRow, helper_id, "helper")
            rows = session.scalars(select(ScheduleRow).where(ScheduleRow.helper_id == helper_id))
            states = {row.card_key: _state(row) for row in rows if _is_sound(row)}
            answers = _answers(session, helper_id)
        answered = Counter(answer.topic for answer in answers)
        wrong = Counter(answer.topic for answer in answers if not answer.is_right)
        return next_round(
            cards,
            states,
            {topic: (wrong[topic], number) for topic, number in answered.items()},
            count=ROUND,
            now=now or now_utc(),
            seed=len(answers),
        )

    def answer(
        self,
        helper_id: str,
        card: PracticeCard,
        *,
        grade: str,
        row: str | None = None,
        seconds: float | None = None,
        test_id: str | None = None,
        now: datetime | None = None,
    ) -> CardAnswer:
        """Record an answer; in practice it also decides when the card comes again.

        Args:
            grade: Grade id that the helper named.
            row: Row id that they named as the reason, None where none was asked for.
            seconds: How long they looked.
            test_id: The test that it belongs to. Each card of a test is answered once,
                and leaves the schedule alone: a test gives no feedback.
            now: The moment; None takes the clock.

        Raises:
            RecordsError: The card is not of that test, or was answered in it already.
        """
        now = now or now_utc()
        grade = one_line(grade, longest=WORD_LENGTH)
        if not grade:
            raise RecordsError("an answer needs a grade", where="practice")
        reason_right = None if row is None or card.row is None else row == card.row
        with self._records.writing() as session:
            find_row(session, HelperRow, helper_id, "helper")
            if test_id is not None:
                _check_open(session, helper_id, test_id, card.key)
            answer = AnswerRow(
                helper_id=helper_id,
                card_key=card.key,
                topic=str(card.topic),
                truth=card.grade,
                answered=grade,
                reason_right=reason_right,
                seconds=None if seconds is None else max(0.0, float(seconds)),
                test_id=test_id,
                answered_utc=now,
            )
            session.add(answer)
            if test_id is None:
                _reschedule(
                    session,
                    helper_id,
                    card.key,
                    right=grade == card.grade,
                    reason_right=reason_right,
                    now=now,
                )
            session.flush()
            return _answer(answer)

    def answers(self, helper_id: str) -> tuple[CardAnswer, ...]:
        """Return all answers of a helper, oldest first."""
        with self._records.reading() as session:
            find_row(session, HelperRow, helper_id, "helper")
            return _answers(session, helper_id)

    def due(self, helper_id: str, *, now: datetime | None = None) -> int:
        """Return how many cards are due for this helper."""
        query = select(ScheduleRow).where(
            ScheduleRow.helper_id == helper_id, ScheduleRow.due_utc <= (now or now_utc())
        )
        with self._records.reading() as session:
            return len(session.scalars(query).all())

    def progress(self, helper_id: str, *, grades: Sequence[str]) -> Progress:
        """Return how a helper is doing; ``grades`` gives the order of the table."""
        return progress_of(self.answers(helper_id), grades=grades)

    # -- tests --------------------------------------------------------------------

    def begin_test(self, helper_id: str, cards: Sequence[PracticeCard]) -> PracticeTest:
        """Begin the fixed test; give the fixture cards, which are the same everywhere.

        Raises:
            RecordsError: There are fewer cards than the test takes.
        """
        keys = fixed_test(cards)
        with self._records.writing() as session:
            find_row(session, HelperRow, helper_id, "helper")
            row = PracticeTestRow(helper_id=helper_id, card_keys=json.dumps(keys))
            session.add(row)
            session.flush()
            return _test(row, ())

    def test(self, test_id: str) -> PracticeTest:
        """Return a test with its answers so far."""
        with self._records.reading() as session:
            row = find_row(session, PracticeTestRow, test_id, "test")
            return _with_answers(session, row)

    def tests(self, helper_id: str) -> tuple[PracticeTest, ...]:
        """Return all tests of a helper, newest first."""
        query = (
            select(PracticeTestRow)
            .where(PracticeTestRow.helper_id == helper_id)
            .order_by(PracticeTestRow.begun_utc.desc(), PracticeTestRow.id)
        )
        with self._records.reading() as session:
            return tuple(_with_answers(session, row) for row in session.scalars(query))


def fixed_test(cards: Sequence[PracticeCard]) -> tuple[str, ...]:
    """Return the keys of the test's cards: the same for the same cards, topics in turn.

    Each topic gives one card in turn until there are enough, in an order that depends
    on the keys alone; then they are shuffled, by the keys too.
    """
    if len(cards) < TEST_CARDS:
        raise RecordsError(
            f"a test takes {TEST_CARDS} cards and there are {len(cards)}",
            fix="Run it where the fixture photos are, or confirm more pieces.",
            where="test",
        )
    piles: dict[Topic, list[str]] = {}
    for card in sorted(cards, key=lambda card: _scatter(card.key)):
        piles.setdefault(card.topic, []).append(card.key)
    order = [piles[topic] for topic in Topic if topic in piles]
    chosen: list[str] = []
    while len(chosen) < TEST_CARDS:
        for pile in order:
            if pile and len(chosen) < TEST_CARDS:
                chosen.append(pile.pop())
    return tuple(sorted(chosen, key=lambda key: _scatter("order " + key)))


def progress_of(answers: Sequence[CardAnswer], *, grades: Sequence[str]) -> Progress:
    """Return what the answers say, oldest first; also for the result of one test."""
    pairs = [(a.truth, a.answered) for a in answers]
    first: dict[str, CardAnswer] = {}
    for answer in answers:
        first.setdefault(answer.card_key, answer)
    firsts = [(a.truth, a.answered) for a in first.values()]
    reasons = [a.reason_right for a in answers if a.reason_right is not None]
    topics = []
    for topic in dict.fromkeys(a.topic for a in answers):
        of_topic = [a.is_right for a in answers if a.topic is topic]
        share = share_of(sum(of_topic), len(of_topic))
        if share is not None:
            topics.append((topic, share))
    table = confusion(pairs, grades)
    return Progress(
        right=share_of(sum(a.is_right for a in answers), len(answers)),
        reasons_right=share_of(sum(reasons), len(reasons)),
        kappa=cohen_kappa(table.counts),
        first_kappa=cohen_kappa(confusion(firsts, grades).counts),
        confusion=table,
        topics=tuple(sorted(topics, key=lambda pair: (pair[1].value, -pair[1].count))),
        trend=trend([a.is_right for a in answers]),
    )


# -- rows ---------------------------------------------------------------------------


def _scatter(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _check_open(session: Session, helper_id: str, test_id: str, card_key: str) -> None:
    test = session.get(PracticeTestRow, test_id)
    if test is None or test.helper_id != helper_id:
        raise NoSuchRecordError("this helper has no such test", fix=GONE)
    if card_key not in _keys(test):
        raise RecordsError("that card is not in the test", where="test")
    query = select(AnswerRow.id).where(AnswerRow.test_id == test_id, AnswerRow.card_key == card_key)
    if session.scalars(query).first() is not None:
        raise RecordsError("that card was answered already", where="test")


def _reschedule(
    session: Session,
    helper_id: str,
    card_key: str,
    *,
    right: bool,
    reason_right: bool | None,
    now: datetime,
) -> None:
    row = session.get(ScheduleRow, (helper_id, card_key))
    before = _state(row) if row is not None and _is_sound(row) else None
    after = after_answer(before, right=right, reason_right=reason_right, now=now)
    if row is None:
        row = ScheduleRow(helper_id=helper_id, card_key=card_key)
        session.add(row)
    row.state, row.step = after.state, after.step
    row.stability, row.difficulty = after.stability, after.difficulty
    row.due_utc, row.last_review_utc = after.due_utc, after.last_review_utc
    row.updated_utc = now


def _answers(session: Session, helper_id: str) -> tuple[CardAnswer, ...]:
    query = (
        select(AnswerRow)
        .where(AnswerRow.helper_id == helper_id)
        .order_by(AnswerRow.answered_utc, AnswerRow.id)
    )
    return tuple(map(_answer, session.scalars(query)))


def _with_answers(session: Session, row: PracticeTestRow) -> PracticeTest:
    query = select(AnswerRow).where(AnswerRow.test_id == row.id)
    by_key = {answer.card_key: _answer(answer) for answer in session.scalars(query)}
    test = _test(row, ())
    return _test(row, tuple(by_key[key] for key in test.card_keys if key in by_key))


def _test(row: PracticeTestRow, answers: tuple[CardAnswer, ...]) -> PracticeTest:
    return value_of(PracticeTest, row, card_keys=_keys(row), answers=answers)


def _helper(row: HelperRow) -> Helper:
    return value_of(Helper, row)


def _answer(row: AnswerRow) -> CardAnswer:
    return value_of(CardAnswer, row, topic=_topic(row.topic))


def _topic(text: str) -> Topic:
    """Return a topic; one that only a newer version knows counts as plain."""
    return Topic(text) if text in tuple(Topic) else Topic.PLAIN


def _keys(row: PracticeTestRow) -> tuple[str, ...]:
    try:
        keys = json.loads(row.card_keys)
    except ValueError:
        keys = None
    if not isinstance(keys, list):
        raise RecordsError("a test's cards can't be read", fix="Delete the helper.", where=row.id)
    return tuple(map(str, keys))


def _is_sound(row: ScheduleRow) -> bool:
    """Whether the schedule can be gone on with; an import may hold anything."""
    return row.state in (1, 2, 3) and all(
        value is None or value > 0 for value in (row.stability, row.difficulty)
    )


def _state(row: ScheduleRow) -> CardState:
    return value_of(CardState, row)
