"""The tables of the records.

Ids are random (UUID 4, 32 hex digits), so that rows made on two machines never clash
when one imports the other's export. Times, money and enums are text that sorts and
reads the same in every database. A table added later belongs to the same ``Base`` and
gets its own migration; export, import and "delete everything" then know it.
"""

from __future__ import annotations

import uuid
from datetime import datetime
from decimal import Decimal

from sqlalchemy import ForeignKey, Index, MetaData, String, Text
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship
from sqlalchemy.types import TypeDecorator

from app.records.times import now_utc, time_from_text, time_to_text

ID_LENGTH = 32
HASH_LENGTH = 64
NAME_LENGTH = 200
NOTES_LENGTH = 10_000
WORD_LENGTH = 60
"""Longest grade id, tag, role or key; what a person types is cut to these lengths."""


def new_id() -> str:
    """Return a fresh random id."""
    return uuid.uuid4().hex


class UtcTime(TypeDecorator[datetime]):
    """A moment to the microsecond, kept as ISO 8601 text in UTC."""

    impl = String(27)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:  # noqa: ARG002
        """Return the text to store."""
        return None if value is None else time_to_text(value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002
        """Return the moment that was stored."""
        return None if value is None else time_from_text(value)


class ExactDecimal(TypeDecorator[Decimal]):
    """Money, kept to the last digit as text (SQLite has no exact numbers)."""

    impl = String(40)
    cache_ok = True

    def process_bind_param(self, value: Decimal | None, dialect: Dialect) -> str | None:  # noqa: ARG002
        """Return the text to store."""
        if value is None:
            return None
        if not value.is_finite():
            raise ValueError(f"money must be a finite number, not {value}")
        return format(value, "f")

    def process_result_value(self, value: str | None, dialect: Dialect) -> Decimal | None:  # noqa: ARG002
        """Return the amount that was stored."""
        return None if value is None else Decimal(value)


class Base(DeclarativeBase):
    """Base of every table in the records' database."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_name)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


class MetaRow(Base):
    """Facts about the store itself; the row ``lock`` is held while somebody writes."""

    __tablename__ = "meta"

    key: Mapped[str] = mapped_column(String(WORD_LENGTH), primary_key=True)
    value: Mapped[str] = mapped_column(Text)


class PhotoRow(Base):
    """A stored photo; its bytes are a file named by the hash."""

    __tablename__ = "photo"

    sha256: Mapped[str] = mapped_column(String(HASH_LENGTH), primary_key=True)
    kind: Mapped[str] = mapped_column(String(4))
    width_px: Mapped[int]
    height_px: Mapped[int]
    added_utc: Mapped[datetime] = mapped_column(UtcTime)


class BuyerRow(Base):
    """Somebody who buys; ``name_key`` is the name as it is compared."""

    __tablename__ = "buyer"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(NAME_LENGTH))
    name_key: Mapped[str] = mapped_column(String(NAME_LENGTH), unique=True)
    notes: Mapped[str] = mapped_column(Text, default="")
    created_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)


class PieceRow(Base):
    """One graded piece.

    ``suggested``, ``form`` and ``tarnish_level`` repeat what the JSON holds, so that
    pieces can be found without reading all of it.
    """

    __tablename__ = "piece"
    __table_args__ = (Index("ix_piece_created_utc", "created_utc"),)

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True, default=new_id)
    created_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)
    updated_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)
    name: Mapped[str] = mapped_column(String(NAME_LENGTH), default="")
    notes: Mapped[str] = mapped_column(Text, default="")
    findings: Mapped[str] = mapped_column(Text)
    grading: Mapped[str] = mapped_column(Text)
    sheet_id: Mapped[str] = mapped_column(String(NAME_LENGTH))
    sheet_title: Mapped[str] = mapped_column(Text)
    sheet_hash: Mapped[str] = mapped_column(String(HASH_LENGTH))
    suggested: Mapped[str | None] = mapped_column(String(WORD_LENGTH), index=True)
    form: Mapped[str] = mapped_column(String(WORD_LENGTH))
    tarnish_level: Mapped[float | None]

    photos: Mapped[list[PiecePhotoRow]] = relationship(
        cascade="all, delete-orphan", passive_deletes=True, order_by="PiecePhotoRow.position"
    )
    own_calls: Mapped[list[OwnCallRow]] = relationship(
        cascade="all, delete-orphan",
        passive_deletes=True,
        order_by="OwnCallRow.called_utc, OwnCallRow.id",
    )
    outcomes: Mapped[list[OutcomeRow]] = relationship(
        cascade="all, delete-orphan",
        passive_deletes=True,
        order_by="OutcomeRow.told_utc, OutcomeRow.id",
    )
    tags: Mapped[list[TagRow]] = relationship(
        cascade="all, delete-orphan", passive_deletes=True, order_by="TagRow.tag"
    )


def _of_piece(*, primary_key: bool = False, index: bool = True) -> Mapped[str]:
    return mapped_column(
        String(ID_LENGTH),
        ForeignKey("piece.id", ondelete="CASCADE"),
        primary_key=primary_key,
        index=index and not primary_key,
    )


class PiecePhotoRow(Base):
    """A photo of a piece: where the piece is on it and what it alone says."""

    __tablename__ = "piece_photo"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True, default=new_id)
    piece_id: Mapped[str] = _of_piece()
    photo_sha256: Mapped[str] = mapped_column(
        String(HASH_LENGTH), ForeignKey("photo.sha256"), index=True
    )
    position: Mapped[int]
    name: Mapped[str] = mapped_column(String(NAME_LENGTH), default="")
    role: Mapped[str] = mapped_column(String(WORD_LENGTH))
    place: Mapped[str | None] = mapped_column(Text)
    findings: Mapped[str | None] = mapped_column(Text)
    reference: Mapped[str | None] = mapped_column(String(WORD_LENGTH))
    added_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)

    photo: Mapped[PhotoRow] = relationship()


class OwnCallRow(Base):
    """What a person said of a piece."""

    __tablename__ = "own_call"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True, default=new_id)
    piece_id: Mapped[str] = _of_piece()
    grade: Mapped[str] = mapped_column(String(WORD_LENGTH))
    blind: Mapped[bool]
    who: Mapped[str] = mapped_column(String(NAME_LENGTH), default="")
    tarnish_level: Mapped[float | None]
    called_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)


class OutcomeRow(Base):
    """What a buyer made of a piece."""

    __tablename__ = "outcome"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True, default=new_id)
    piece_id: Mapped[str] = _of_piece()
    buyer_id: Mapped[str] = mapped_column(String(ID_LENGTH), ForeignKey("buyer.id"), index=True)
    grade: Mapped[str | None] = mapped_column(String(WORD_LENGTH))
    paid: Mapped[Decimal | None] = mapped_column(ExactDecimal)
    currency: Mapped[str | None] = mapped_column(String(3))
    weight_kg: Mapped[float | None]
    note: Mapped[str] = mapped_column(Text, default="")
    told_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)

    buyer: Mapped[BuyerRow] = relationship()


class TagRow(Base):
    """A word put on a piece."""

    __tablename__ = "tag"

    piece_id: Mapped[str] = _of_piece(primary_key=True)
    tag: Mapped[str] = mapped_column(String(WORD_LENGTH), primary_key=True, index=True)
