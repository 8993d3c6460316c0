"""The tables of practice, beside those of the records."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from app.records.models import ID_LENGTH, NAME_LENGTH, WORD_LENGTH, Base, UtcTime, new_id
from app.records.times import now_utc

KEY_LENGTH = 200


def _of_helper(*, primary_key: bool = False) -> Mapped[str]:
    return mapped_column(
        String(ID_LENGTH),
        ForeignKey("helper.id", ondelete="CASCADE"),
        primary_key=primary_key,
    )


class HelperRow(Base):
    """Somebody who practises."""

    __tablename__ = "helper"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(NAME_LENGTH))
    name_key: Mapped[str] = mapped_column(String(NAME_LENGTH), unique=True)
    created_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)


class ScheduleRow(Base):
    """When one helper should see one card again: the state of the FSRS algorithm."""

    __tablename__ = "practice_schedule"
    __table_args__ = (Index("ix_practice_schedule_due_utc", "due_utc"),)

    helper_id: Mapped[str] = _of_helper(primary_key=True)
    card_key: Mapped[str] = mapped_column(String(KEY_LENGTH), primary_key=True)
    state: Mapped[int]
    step: Mapped[int | None]
    stability: Mapped[float | None]
    difficulty: Mapped[float | None]
    due_utc: Mapped[datetime] = mapped_column(UtcTime)
    last_review_utc: Mapped[datetime | None] = mapped_column(UtcTime)
    updated_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)


class PracticeTestRow(Base):
    """A test of a fixed number of cards; ``card_keys`` is a JSON list, in order."""

    __tablename__ = "practice_test"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True, default=new_id)
    helper_id: Mapped[str] = _of_helper()
    card_keys: Mapped[str] = mapped_column(Text)
    begun_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)


class AnswerRow(Base):
    """One answer of a helper to a card."""

    __tablename__ = "practice_answer"
    __table_args__ = (Index("ix_practice_answer_helper_id", "helper_id", "answered_utc"),)

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True, default=new_id)
    helper_id: Mapped[str] = _of_helper()
    card_key: Mapped[str] = mapped_column(String(KEY_LENGTH))
    topic: Mapped[str] = mapped_column(String(WORD_LENGTH))
    truth: Mapped[str] = mapped_column(String(WORD_LENGTH))
    answered: Mapped[str] = mapped_column(String(WORD_LENGTH))
    reason_right: Mapped[bool | None]
    seconds: Mapped[float | None]
    test_id: Mapped[str | None] = mapped_column(
        String(ID_LENGTH), ForeignKey("practice_test.id", ondelete="CASCADE"), index=True
    )
    answered_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)
