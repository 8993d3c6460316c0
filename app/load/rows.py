"""How do the load's rows and its plain values turn into each other?"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.load.bins import Bin, Load, Piece, number_of
from app.load.buyers import Buyer
from app.load.prices import Price, PriceBook
from app.load.tables import (
    CODE_LENGTH,
    LoadBinRow,
    LoadBuyerRow,
    LoadPieceRow,
    LoadPriceRow,
    LoadRow,
    LoadTicketRow,
)
from app.load.ticket import Ticket
from app.load.units import LoadError, MassUnit
from app.load.weights import Weight
from app.records.codec import read_json, write_json
from app.records.models import NAME_LENGTH, BuyerRow, PieceRow, new_id
from app.records.text import name_key, one_line
from app.records.times import now_utc

BUYER_SCHEMA = "cuproscope.load.buyer/1"
PIECE_SCHEMA = "cuproscope.load.piece/1"
WEIGHT_SCHEMA = "cuproscope.load.weight/1"
TICKET_SCHEMA = "cuproscope.load.ticket/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """A bin's reading as it is kept."""

    weight: Weight


def buyer_of(terms: LoadBuyerRow, row: BuyerRow) -> Buyer:
    """Return a buyer from their rows."""
    # The name is the records' one: renamed there, it is renamed here.
    return replace(read_json(terms.body, Buyer, BUYER_SCHEMA), name=row.name)


def find_buyer(session: Session, name: str) -> BuyerRow:
    """Return the row of a buyer by name; raises LoadError where there is none."""
    query = select(BuyerRow).where(BuyerRow.name_key == name_key(name))
    row = session.scalars(query).one_or_none()
    if row is None:
        raise LoadError(f"no buyer {name!r}", where="buyer")
    return row


def book_of(session: Session) -> PriceBook:
    """Return all prices from their rows."""
    rows = session.execute(
        select(LoadPriceRow, BuyerRow.name)
        .join(BuyerRow, BuyerRow.id == LoadPriceRow.buyer_id)
        .order_by(LoadPriceRow.added_utc, LoadPriceRow.id)
    ).all()
    return PriceBook(
        prices=tuple(
            Price(
                buyer=name,
                grade=row.grade,
                amount=row.amount,
                per=MassUnit(row.per),
                currency=row.currency,
                day=date.fromisoformat(row.day),
                from_kg=row.from_kg,
            )
            for row, name in rows
        )
    )


def find_load(session: Session, name: str) -> LoadRow | None:
    """Return the row of a load by name, None where there is none."""
    query = select(LoadRow).where(LoadRow.name_key == name_key(name))
    return session.scalars(query).one_or_none()


def new_load(session: Session, name: str) -> LoadRow:
    """Add the row of an empty load."""
    key = name_key(name)
    if not key:
        raise LoadError("a load needs a name", where="load")
    row = LoadRow(id=new_id(), name=one_line(name), name_key=key)
    # A ticket may wait for a load of this name that was removed: its ids stay its own.
    waiting = (ticket_of(one) for one in session.scalars(select(LoadTicketRow)))
    row.given = max(
        (
            number_of(piece.id)
            for ticket in waiting
            if name_key(ticket.load) == key
            for line in ticket.lines
            for piece in line.pieces
        ),
        default=0,
    )
    session.add(row)
    session.flush()
    return row


def load_of(session: Session, row: LoadRow) -> Load:
    """Return a load from its rows."""
    bins = session.scalars(
        select(LoadBinRow)
        .where(LoadBinRow.load_id == row.id)
        .order_by(LoadBinRow.position, LoadBinRow.id)
    ).all()
    pieces: dict[str, list[Piece]] = {bin_row.id: [] for bin_row in bins}
    query = (
        select(LoadPieceRow)
        .where(LoadPieceRow.bin_id.in_(list(pieces)))
        .order_by(LoadPieceRow.position, LoadPieceRow.id)
    )
    for piece_row in session.scalars(query):
        piece = read_json(piece_row.body, Piece, PIECE_SCHEMA)
        pieces[piece_row.bin_id].append(replace(piece, record=piece_row.piece_id))
    return Load(
        name=row.name,
        given=row.given,
        bins=tuple(
            Bin(
                name=bin_row.name,
                grade=bin_row.grade,
                pieces=tuple(pieces[bin_row.id]),
                weighed=None
                if bin_row.weighed is None
                else read_json(bin_row.weighed, Weighed, WEIGHT_SCHEMA).weight,
            )
            for bin_row in bins
        ),
    )


def write_load(session: Session, row: LoadRow, before: Load, after: Load) -> None:
    """Write the rows in which two loads differ."""
    bin_rows = {
        bin_row.name: bin_row
        for bin_row in session.scalars(select(LoadBinRow).where(LoadBinRow.load_id == row.id))
    }
    _write_bins(session, row, bin_rows, after)
    inside = [bin_row.id for bin_row in bin_rows.values()]
    query = select(LoadPieceRow).where(LoadPieceRow.bin_id.in_(inside))
    piece_rows = {piece_row.code: piece_row for piece_row in session.scalars(query)}
    old = {piece.id: piece for piece in before.pieces}
    # A row is looked up before the next one is begun: looking up writes what is pending.
    for b in after.bins:
        for position, piece in enumerate(b.pieces):
            piece_row = piece_rows.get(piece.id)
            changed = piece_row is None or old.get(piece.id) != piece
            known = changed and piece.record and session.get(PieceRow, piece.record) is not None
            if piece_row is None:
                piece_row = LoadPieceRow(id=new_id(), code=piece.id[:CODE_LENGTH])
                session.add(piece_row)
            if changed:
                piece_row.body = write_json(replace(piece, record=None), PIECE_SCHEMA)
                piece_row.piece_id = piece.record if known else None
            piece_row.position, piece_row.bin_id = position, bin_rows[b.name].id
    row.given = max(row.given, *map(number_of, after.taken))
    kept = {piece.id for piece in after.pieces}
    for code, piece_row in piece_rows.items():
        if code not in kept:
            session.delete(piece_row)
    session.flush()
    names = {b.name for b in after.bins}
    for name, bin_row in bin_rows.items():
        if name not in names:
            session.delete(bin_row)
    row.updated_utc = now_utc()
    session.flush()


def _write_bins(
    session: Session, row: LoadRow, bin_rows: dict[str, LoadBinRow], after: Load
) -> None:
    """Write the bins of a load into ``bin_rows``, adding new ones to it."""
    for position, b in enumerate(after.bins):
        if len(b.name) > NAME_LENGTH or one_line(b.name) != b.name:
            raise LoadError("is no name for a bin: one line, no odd characters", where=b.name)
        weighed = (
            None if b.weighed is None else write_json(Weighed(weight=b.weighed), WEIGHT_SCHEMA)
        )
        bin_row = bin_rows.get(b.name)
        if bin_row is None:
            bin_row = LoadBinRow(id=new_id(), load_id=row.id, name=b.name)
            session.add(bin_row)
            bin_rows[b.name] = bin_row
        bin_row.position, bin_row.grade, bin_row.weighed = position, b.grade, weighed
    session.flush()


def ticket_of(row: LoadTicketRow) -> Ticket:
    """Return a ticket from its row."""
    return read_json(row.body, Ticket, TICKET_SCHEMA)


def find_ticket(session: Session, code: str) -> LoadTicketRow:
    """Return the row of a ticket by its code; raises LoadError where there is none."""
    query = (
        select(LoadTicketRow)
        .where(LoadTicketRow.code == code)
        .order_by(LoadTicketRow.written_utc.desc())
    )
    row = session.scalars(query).first()
    if row is None:
        raise LoadError(f"no ticket {code!r} (load list tickets)", where="ticket")
    return row
