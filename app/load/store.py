"""Loads, buyers' terms, prices and tickets in the record store.

Each method is one transaction: killed at any moment, the load is as before or as after.
An edit reads the load, changes the value and writes the rows that differ, all while
nobody else can write, so two windows never undo each other's work.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from app.load.bins import Load
from app.load.buyers import Buyer, sheet_of
from app.load.prices import Price, PriceBook
from app.load.rows import (
    BUYER_SCHEMA,
    TICKET_SCHEMA,
    book_of,
    buyer_of,
    find_buyer,
    find_load,
    find_ticket,
    load_of,
    new_load,
    ticket_of,
    write_load,
)
from app.load.settling import outcomes, settle, without_sold
from app.load.tables import LoadBuyerRow, LoadPriceRow, LoadRow, LoadTicketRow
from app.load.terms import OTHER_LINES, terms_of
from app.load.ticket import PaidLine, Ticket, next_code, write_ticket
from app.load.units import LoadError, MassUnit
from app.records.codec import write_json
from app.records.models import BuyerRow, OutcomeRow, PieceRow
from app.records.stamp import stamp_of
from app.records.text import many_lines, name_key, one_line
from app.records.times import now_utc

if TYPE_CHECKING:
    from app.records.store import Records

DEFAULT_LOAD = "load"
"""Name of the load where the person names none."""


class LoadStore:
    """The loads of one record store.

    Attributes:
        records: The records beside them.
    """

    def __init__(self, records: Records) -> None:
        self.records = records

    # -- buyers and prices --------------------------------------------------------

    def buyers(self) -> tuple[Buyer, ...]:
        """Return all buyers with terms, by name."""
        with self.records.reading() as session:
            rows = session.execute(
                select(LoadBuyerRow, BuyerRow)
                .join(BuyerRow, BuyerRow.id == LoadBuyerRow.buyer_id)
                .order_by(BuyerRow.name_key)
            ).all()
            return tuple(buyer_of(terms, row) for terms, row in rows)

    def buyer(self, name: str) -> Buyer:
        """Return one buyer by name, however it is written."""
        key = name_key(name)
        for buyer in self.buyers():
            if name_key(buyer.name) == key:
                return buyer
        known = ", ".join(buyer.name for buyer in self.buyers()) or "none yet"
        raise LoadError(f"no buyer {name!r}; there are: {known}", where="buyer")

    def save_buyer(self, buyer: Buyer) -> Buyer:
        """Keep a buyer's terms, new or changed.

        Raises:
            LoadError: Prices of another currency are on their list.
        """
        with self.records.writing() as session:
            return self._save_buyer(session, buyer)

    def remove_buyer(self, name: str) -> None:
        """Remove a buyer's terms and prices; the buyer too, if no outcome names them."""
        with self.records.writing() as session:
            row = find_buyer(session, name)
            self._remove_buyer(session, row)

    def book(self) -> PriceBook:
        """Return every price that was written down."""
        with self.records.reading() as session:
            return book_of(session)

    def add_prices(self, prices: Iterable[Price]) -> None:
        """Write prices down, all or none; what was there stays as history.

        Raises:
            LoadError: No such buyer, or another currency than theirs.
        """
        with self.records.writing() as session:
            self._add_prices(session, prices)

    # -- loads --------------------------------------------------------------------

    def names(self) -> tuple[str, ...]:
        """Return the names of all loads, oldest first."""
        with self.records.reading() as session:
            query = select(LoadRow.name).order_by(LoadRow.created_utc, LoadRow.id)
            return tuple(session.scalars(query))

    def load(self, name: str = DEFAULT_LOAD) -> Load:
        """Return a load; one that is not there yet is empty."""
        with self.records.reading() as session:
            row = find_load(session, name)
            return Load(name=one_line(name)) if row is None else load_of(session, row)

    def edit(self, name: str, change: Callable[[Load], Load]) -> Load:
        """Change a load; it is made if it is not there yet.

        Args:
            name: Which load.
            change: Gives the changed load; what it raises leaves everything as it was.
        """
        with self.records.writing() as session:
            row = find_load(session, name)
            if row is None:
                row = new_load(session, name)
            before = load_of(session, row)
            after = change(before)
            write_load(session, row, before, after)
            return after

    def remove(self, name: str) -> None:
        """Remove a load with all its bins; tickets and records stay."""
        with self.records.writing() as session:
            row = find_load(session, name)
            if row is None:
                raise LoadError(f"no load {name!r}", where="load")
            session.delete(row)

    # -- tickets ------------------------------------------------------------------

    def tickets(self) -> tuple[Ticket, ...]:
        """Return all tickets, oldest first."""
        with self.records.reading() as session:
            rows = session.scalars(
                select(LoadTicketRow).order_by(LoadTicketRow.written_utc, LoadTicketRow.id)
            )
            return tuple(ticket_of(row) for row in rows)

    def ticket(self, code: str) -> Ticket:
        """Return one ticket by its code."""
        with self.records.reading() as session:
            return ticket_of(find_ticket(session, code))

    def write_ticket(
        self,
        name: str,
        buyer_name: str,
        *,
        day: date,
        unit: MassUnit,
        bins: Sequence[str] = (),
        hand_out: Callable[[Ticket], object] = lambda _: None,
    ) -> Ticket:
        """Write a ticket for a load, or for some of its bins, at one buyer, and keep it.

        Args:
            name: Which load.
            buyer_name: Which buyer.
            day: When.
            unit: In which masses are shown.
            bins: Only these.
            hand_out: Called with the ticket before it is kept; what it raises leaves all as
                it was.

        Raises:
            LoadError: Nothing to sell, a bin without a weight, no such buyer.
        """
        buyer = self.buyer(buyer_name)
        with self.records.writing() as session:
            row = find_load(session, name)
            load = Load(name=name) if row is None else load_of(session, row)
            if bins:
                load = replace(load, bins=tuple(load.bin(one) for one in dict.fromkeys(bins)))
            terms = terms_of(buyer, book_of(session), on=day)
            taken = tuple(session.scalars(select(LoadTicketRow.code)))
            ticket, _ = write_ticket(
                terms,
                load,
                code=next_code(day, taken),
                unit=unit,
                sheet_hash=stamp_of(terms.sheet).hash,
            )
            session.add(
                LoadTicketRow(
                    code=ticket.code,
                    buyer_id=find_buyer(session, buyer.name).id,
                    body=write_json(ticket, TICKET_SCHEMA),
                )
            )
            session.flush()
            hand_out(ticket)
            return ticket

    def settle(
        self,
        code: str,
        lines: Sequence[PaidLine],
        *,
        day: date,
        note: str = "",
        keep_bins: bool = False,
    ) -> Ticket:
        """Keep what was paid for a ticket; its bins leave the load, in the same transaction.

        The buyer's outcome of each recorded piece is recorded with it, for the second
        opinion.

        Args:
            code: Which ticket.
            lines: What was paid; bins that are not named were paid as on the ticket.
            day: When.
            note: In the person's own words.
            keep_bins: Leave the bins in the load.
        """
        with self.records.writing() as session:
            row = find_ticket(session, code)
            ticket = settle(ticket_of(row), lines, day=day, note=many_lines(note))
            if row.buyer_id is not None:
                _record_outcomes(session, row.buyer_id, ticket)
            row.body, row.settled_utc = write_json(ticket, TICKET_SCHEMA), now_utc()
            load_row = None if keep_bins else find_load(session, ticket.load)
            if load_row is not None:
                before = load_of(session, load_row)
                write_load(session, load_row, before, without_sold(before, ticket))
            return ticket

    def remove_ticket(self, code: str) -> None:
        """Remove a ticket that was not settled."""
        with self.records.writing() as session:
            row = find_ticket(session, code)
            if row.settled_utc is not None:
                raise LoadError("is settled: it stays, as what was paid", where=code)
            session.delete(row)

    # -- several at once, for the demo ----------------------------------------------

    def put_all(
        self, *, buyers: Sequence[Buyer], prices: Sequence[Price], loads: Sequence[Load]
    ) -> None:
        """Keep buyers, prices and loads, all or none."""
        with self.records.writing() as session:
            for buyer in buyers:
                self._save_buyer(session, buyer)
            self._add_prices(session, prices)
            for load in loads:
                row = find_load(session, load.name)
                if row is None:
                    row = new_load(session, load.name)
                write_load(session, row, load_of(session, row), load)

    def remove_all(self, *, buyers: Sequence[str], loads: Sequence[str]) -> None:
        """Remove buyers, loads and the loads' tickets, all or none; missing ones are passed."""
        keys = {name_key(name) for name in loads}
        with self.records.writing() as session:
            for row in session.scalars(select(LoadTicketRow)).all():
                if name_key(ticket_of(row).load) in keys:
                    session.delete(row)
            for name in loads:
                load_row = find_load(session, name)
                if load_row is not None:
                    session.delete(load_row)
            session.flush()
            for name in buyers:
                buyer_row = session.scalars(
                    select(BuyerRow).where(BuyerRow.name_key == name_key(name))
                ).one_or_none()
                if buyer_row is not None:
                    self._remove_buyer(session, buyer_row)

    # -- inside -------------------------------------------------------------------

    def _save_buyer(self, session: Session, buyer: Buyer) -> Buyer:
        name = one_line(buyer.name)
        key = name_key(name)
        sheet_of(buyer)
        row = session.scalars(select(BuyerRow).where(BuyerRow.name_key == key)).one_or_none()
        if row is None:
            row = BuyerRow(name=name, name_key=key, notes="")
            session.add(row)
            session.flush()
        buyer = replace(buyer, name=row.name, note=many_lines(buyer.note))
        others = session.scalars(
            select(LoadPriceRow.currency).where(
                LoadPriceRow.buyer_id == row.id, LoadPriceRow.currency != buyer.currency
            )
        ).first()
        if others is not None:
            raise LoadError(
                f"has prices in {others}; remove this buyer first to change the currency",
                where=buyer.name,
            )
        terms = session.get(LoadBuyerRow, row.id)
        text = write_json(buyer, BUYER_SCHEMA)
        if terms is None:
            session.add(LoadBuyerRow(buyer_id=row.id, body=text))
        else:
            terms.body, terms.updated_utc = text, now_utc()
        session.flush()
        return buyer

    def _remove_buyer(self, session: Session, row: BuyerRow) -> None:
        session.execute(delete(LoadPriceRow).where(LoadPriceRow.buyer_id == row.id))
        session.execute(delete(LoadBuyerRow).where(LoadBuyerRow.buyer_id == row.id))
        used = session.scalars(select(OutcomeRow.id).where(OutcomeRow.buyer_id == row.id)).first()
        if used is None:
            session.delete(row)
        session.flush()

    def _add_prices(self, session: Session, prices: Iterable[Price]) -> None:
        for price in prices:
            row = find_buyer(session, price.buyer)
            terms = session.get(LoadBuyerRow, row.id)
            if terms is None:
                raise LoadError("say how they buy first (load buyer)", where=row.name)
            buyer = buyer_of(terms, row)
            if buyer.currency != price.currency:
                raise LoadError(f"pays in {buyer.currency}, not {price.currency}", where=buyer.name)
            session.add(
                LoadPriceRow(
                    buyer_id=row.id,
                    grade=one_line(price.grade, longest=60),
                    amount=price.amount,
                    per=str(price.per),
                    currency=price.currency,
                    day=price.day.isoformat(),
                    from_kg=price.from_kg,
                )
            )
            session.flush()


def _record_outcomes(session: Session, buyer_id: str, ticket: Ticket) -> None:
    from rules.sheet import load_sheet, sheet_names

    # The order of grades of a shipped sheet; a buyer's own sheet keeps its base's grades.
    sold = {line.grade for line in ticket.lines} - set(OTHER_LINES)
    grades = next(
        (
            sheet.grade_ids
            for sheet in map(load_sheet, sheet_names())
            if sold <= set(sheet.grade_ids)
        ),
        (),
    )
    rank = {grade: index for index, grade in enumerate((*grades, *OTHER_LINES))}
    for outcome in outcomes(ticket, rank=rank):
        if session.get(PieceRow, outcome.record) is None:
            continue
        session.add(
            OutcomeRow(
                piece_id=outcome.record,
                buyer_id=buyer_id,
                grade=outcome.grade,
                paid=outcome.paid,
                currency=ticket.currency,
                weight_kg=float(outcome.kg) or None,
                note=outcome.note,
            )
        )
    session.flush()
