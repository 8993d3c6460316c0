"""The tables of loads, beside those of the records.

Bins and pieces are rows of their own, so that moving one piece writes one row; what a
piece is (chances, weight, findings, lifts) is one JSON text, read back by its types.
"""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal

from sqlalchemy import ForeignKey, Index, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from app.records.models import (
    ID_LENGTH,
    NAME_LENGTH,
    WORD_LENGTH,
    Base,
    ExactDecimal,
    UtcTime,
    new_id,
)
from app.records.times import now_utc

DAY_LENGTH = 10
CODE_LENGTH = 40


class LoadBuyerRow(Base):
    """How a buyer of the records buys: the terms of :class:`app.load.buyers.Buyer`."""

    __tablename__ = "load_buyer"

    buyer_id: Mapped[str] = mapped_column(
        String(ID_LENGTH), ForeignKey("buyer.id", ondelete="CASCADE"), primary_key=True
    )
    body: Mapped[str] = mapped_column(Text)
    updated_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)


class LoadPriceRow(Base):
    """One line of a price list; none is ever changed, a new one takes over."""

    __tablename__ = "load_price"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True, default=new_id)
    buyer_id: Mapped[str] = mapped_column(
        String(ID_LENGTH), ForeignKey("buyer.id", ondelete="CASCADE"), index=True
    )
    grade: Mapped[str] = mapped_column(String(WORD_LENGTH))
    amount: Mapped[Decimal] = mapped_column(ExactDecimal)
    per: Mapped[str] = mapped_column(String(2))
    currency: Mapped[str] = mapped_column(String(3))
    day: Mapped[str] = mapped_column(String(DAY_LENGTH))
    from_kg: Mapped[Decimal] = mapped_column(ExactDecimal)
    added_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)


class LoadRow(Base):
    """One load; ``name_key`` is the name as it is compared, ``given`` the last piece's number."""

    __tablename__ = "load"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True, default=new_id)
    name: Mapped[str] = mapped_column(String(NAME_LENGTH))
    name_key: Mapped[str] = mapped_column(String(NAME_LENGTH), unique=True)
    given: Mapped[int] = mapped_column(default=0, server_default="0")
    created_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)
    updated_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)


class LoadBinRow(Base):
    """One bin; ``weighed`` is the reading of the whole as JSON."""

    __tablename__ = "load_bin"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True, default=new_id)
    load_id: Mapped[str] = mapped_column(
        String(ID_LENGTH), ForeignKey("load.id", ondelete="CASCADE"), index=True
    )
    position: Mapped[int]
    name: Mapped[str] = mapped_column(String(NAME_LENGTH))
    grade: Mapped[str] = mapped_column(String(WORD_LENGTH))
    weighed: Mapped[str | None] = mapped_column(Text)


class LoadPieceRow(Base):
    """One piece in a bin. Deleting its record leaves it: its copper is still there."""

    __tablename__ = "load_piece"

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True, default=new_id)
    bin_id: Mapped[str] = mapped_column(
        String(ID_LENGTH), ForeignKey("load_bin.id", ondelete="CASCADE"), index=True
    )
    position: Mapped[int]
    code: Mapped[str] = mapped_column(String(CODE_LENGTH))
    body: Mapped[str] = mapped_column(Text)
    piece_id: Mapped[str | None] = mapped_column(
        String(ID_LENGTH), ForeignKey("piece.id", ondelete="SET NULL"), index=True
    )


class LoadTicketRow(Base):
    """One ticket, settled or not, as JSON."""

    __tablename__ = "load_ticket"
    __table_args__ = (Index("ix_load_ticket_written_utc", "written_utc"),)

    id: Mapped[str] = mapped_column(String(ID_LENGTH), primary_key=True, default=new_id)
    code: Mapped[str] = mapped_column(String(CODE_LENGTH))
    buyer_id: Mapped[str | None] = mapped_column(
        String(ID_LENGTH), ForeignKey("buyer.id", ondelete="SET NULL"), index=True
    )
    written_utc: Mapped[datetime] = mapped_column(UtcTime, default=now_utc)
    settled_utc: Mapped[datetime | None] = mapped_column(UtcTime)
    body: Mapped[str] = mapped_column(Text)
