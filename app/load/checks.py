"""Rows of loads that come in by an import, read as the pages and commands read them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import date
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.load.bins import Bin, Piece
from app.load.buyers import Buyer, sheet_of
from app.load.prices import Price
from app.load.rows import (
    BUYER_SCHEMA,
    PIECE_SCHEMA,
    TICKET_SCHEMA,
    WEIGHT_SCHEMA,
    Weighed,
    book_of,
    buyer_of,
    load_of,
)
from app.load.tables import CODE_LENGTH, LoadBuyerRow, LoadRow, LoadTicketRow
from app.load.ticket import Ticket
from app.load.units import LoadError, MassUnit
from app.load.weights import Weight
from app.records.archive.checks import check_line, check_named
from app.records.codec import read_json
from app.records.models import WORD_LENGTH, BuyerRow
from app.records.photos import is_hash

LONGEST_PIECE_NAME = 120


def _check_buyer(values: Mapping[str, Any]) -> None:
    buyer = read_json(values["body"], Buyer, BUYER_SCHEMA)
    check_line(buyer.name, "name")
    sheet_of(buyer)


def _check_price(values: Mapping[str, Any]) -> None:
    check_line(values["grade"], "grade", longest=WORD_LENGTH)
    Price(
        buyer=values["buyer_id"],
        grade=values["grade"],
        amount=values["amount"],
        per=MassUnit(values["per"]),
        currency=values["currency"],
        day=date.fromisoformat(values["day"]),
        from_kg=values["from_kg"],
    )


def _check_load(values: Mapping[str, Any]) -> None:
    check_named(values)
    if not 0 <= values["given"] < 10**9:
        raise LoadError("is no number of a piece", where="given")


def _check_bin(values: Mapping[str, Any]) -> None:
    check_line(values["name"], "name")
    check_line(values["grade"], "grade", longest=WORD_LENGTH)
    _check_position(values)
    weighed = None if values["weighed"] is None else _weight(values["weighed"])
    Bin(name=values["name"], grade=values["grade"], weighed=weighed)


def _check_piece(values: Mapping[str, Any]) -> None:
    piece = read_json(values["body"], Piece, PIECE_SCHEMA)
    check_line(piece.id, "id", longest=CODE_LENGTH)
    check_line(piece.name, "name", longest=LONGEST_PIECE_NAME, empty=True)
    for grade in piece.p:
        check_line(grade, "grade", longest=WORD_LENGTH)
    if values["code"] != piece.id:
        raise LoadError("is not the id of that piece", where="code")
    if piece.photo is not None and not is_hash(piece.photo):
        raise LoadError("names no photo", where="photo")
    _check_position(values)


def _check_ticket(values: Mapping[str, Any]) -> None:
    ticket = read_json(values["body"], Ticket, TICKET_SCHEMA)
    if values["code"] != ticket.code:
        raise LoadError("is not the code of that ticket", where="code")
    for name in (ticket.load, ticket.buyer, ticket.sheet, *(line.bin for line in ticket.lines)):
        check_line(name, "name")
    pieces = [piece for line in ticket.lines for piece in line.pieces]
    for piece in pieces:
        check_line(piece.id, "id", longest=CODE_LENGTH)
        check_line(piece.name, "name", empty=True)
        if piece.photo is not None and not is_hash(piece.photo):
            raise LoadError("names no photo", where="photo")
    if (ticket.settled is None) != (values["settled_utc"] is None):
        raise LoadError("is settled and is not", where=ticket.code)


def _check_position(values: Mapping[str, Any]) -> None:
    if values["position"] < 0:
        raise LoadError("can't be below 0", where="position")


def _weight(text: str) -> Weight:
    return read_json(text, Weighed, WEIGHT_SCHEMA).weight


def check_loads(session: Session) -> None:
    """Read every load, buyer and price as the pages do; raises CuproscopeError."""
    for load_row in session.scalars(select(LoadRow)):
        load_of(session, load_row)
    book = book_of(session)
    rows = session.execute(
        select(LoadBuyerRow, BuyerRow).join(BuyerRow, BuyerRow.id == LoadBuyerRow.buyer_id)
    )
    buyers = {one.name: one for one in (buyer_of(terms, row) for terms, row in rows)}
    for price in book.prices:
        known = buyers.get(price.buyer)
        if known is None or known.currency != price.currency:
            raise LoadError(
                f"has a price in {price.currency}, in which this buyer does not pay",
                where=price.buyer,
            )
    codes = Counter(session.scalars(select(LoadTicketRow.code)))
    twice = [code for code, times in codes.items() if times > 1]
    if twice:
        raise LoadError("stands for two tickets, one of them here already", where=min(twice))


ROWS = {
    "load_buyer": _check_buyer,
    "load_price": _check_price,
    "load": _check_load,
    "load_bin": _check_bin,
    "load_piece": _check_piece,
    "load_ticket": _check_ticket,
}
