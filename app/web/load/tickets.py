"""Tickets: written for a buyer, handed out, and settled with what was paid."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import streamlit as st

from app.load.bins import Load
from app.load.buyers import Buyer
from app.load.offer import compare
from app.load.settling import differences
from app.load.store import LoadStore
from app.load.terms import grade_titles, terms_of, title_of
from app.load.ticket import PaidLine, Ticket
from app.load.ticket_csv import write_ticket_csv
from app.load.ticket_pdf import write_ticket_pdf
from app.load.units import LoadError, MassUnit, money_from, money_words
from app.web.load.parts import today
from app.web.plain import plain
from app.web.pressing import press, submit, typed
from app.web.thumbs import small_photo

FEW_DRAWS = 100
"""The order of offers is that of what they are expected to bring, which needs no draws."""


def show(store: LoadStore, load: Load, unit: MassUnit) -> None:
    """Show the tickets, newest first, and a way to write one."""
    buyers = store.buyers()
    if load.bins and buyers:
        with st.form("new-ticket"):
            st.markdown("**A new ticket**")
            to, which = f"ticket-to-{load.name}", f"ticket-bins-{load.name}"
            st.selectbox(
                "To",
                best_first(store, load, buyers),
                help="First stands who leaves you the most, travel counted.",
                key=to,
            )
            names = [b.name for b in load.bins]
            st.multiselect("Bins", names, default=names, key=which)

            def write() -> None:
                day, bins = today(), typed(which)
                store.write_ticket(load.name, typed(to), day=day, unit=unit, bins=bins)

            submit("Write the ticket", write, key="write-ticket", type="primary")
    tickets = store.tickets()
    if not tickets:
        st.info("No ticket yet. It says what each bin should bring, for the way to the scale.")
    for ticket in reversed(tickets):
        _ticket(store, ticket)


def best_first(store: LoadStore, load: Load, buyers: Sequence[Buyer]) -> list[str]:
    """Return the buyers' names as the plan has them; by name where offers can't be compared."""
    book = store.book()
    terms = [terms_of(buyer, book, on=today()) for buyer in buyers]
    try:
        return [offer.buyer.name for offer in compare(terms, load, draws=FEW_DRAWS)]
    except LoadError:
        return [buyer.name for buyer in buyers]


def _ticket(store: LoadStore, ticket: Ticket) -> None:
    with st.container(border=True):
        st.markdown(
            f"#### {plain(ticket.code)}\n{plain(ticket.buyer)} · {ticket.mass:f} {ticket.unit} · "
            f"expected **{money_words(ticket.expected, ticket.currency)}** "
            f"({ticket.low95:,f} to {ticket.high95:,f})"
        )
        pdf, table = _files(ticket)
        with st.container(horizontal=True):
            st.download_button(
                "To print (PDF)", pdf, f"ticket-{ticket.code}.pdf", "application/pdf",
                key=f"pdf-{ticket.code}", icon=":material/print:", on_click="ignore",
            )  # fmt: skip
            st.download_button(
                "Table (CSV)", table, f"ticket-{ticket.code}.csv", "text/csv",
                key=f"csv-{ticket.code}", icon=":material/table:", on_click="ignore",
            )  # fmt: skip
        if ticket.settled is None:
            with st.expander(
                "What was paid?", key=f"settle-open-{ticket.code}", icon=":material/payments:"
            ):
                _settle(store, ticket)
            tear = partial(store.remove_ticket, ticket.code)
            press("Tear it up", tear, key=f"tear-{ticket.code}", type="tertiary")
        else:
            _settled(ticket)


@st.cache_data(max_entries=40, show_spinner=False)
def _files(ticket: Ticket) -> tuple[bytes, bytes]:
    """Return a ticket as PDF and as CSV."""
    with tempfile.TemporaryDirectory() as folder:
        pdf, table = Path(folder) / "t.pdf", Path(folder) / "t.csv"
        write_ticket_pdf(pdf, ticket, photo_of=small_photo)
        write_ticket_csv(table, ticket)
        return pdf.read_bytes(), table.read_bytes()


def _settle(store: LoadStore, ticket: Ticket) -> None:
    with st.form(f"settle-{ticket.code}", border=False):
        for line in ticket.lines:
            keys = _keys_of(ticket, line.bin)
            st.markdown(f"**{plain(line.bin)}**")
            left, right = st.columns(2)
            amount = f"{line.amount:f}"
            left.text_input(f"Paid, {ticket.currency}", value=amount, key=keys[0])
            titles = list(grade_titles())
            known = titles if line.grade in titles else [line.grade, *titles]
            right.selectbox(
                "as", known, index=known.index(line.grade), format_func=title_of, key=keys[1]
            )
            names = {piece.id: piece.name or piece.id for piece in line.pieces}
            if names:
                words = "Which pieces did they blame?"
                st.multiselect(words, list(names), format_func=names.__getitem__, key=keys[2])
        note = f"note-{ticket.code}"
        st.text_input("Note", max_chars=200, key=note)

        def keep() -> None:
            lines = []
            for line in ticket.lines:
                amount, grade, blamed = map(typed, _keys_of(ticket, line.bin))
                paid = money_from(amount, ticket.currency, what=line.bin)
                lines.append(
                    PaidLine(bin=line.bin, grade=grade, amount=paid, blamed=tuple(blamed or ()))
                )
            store.settle(ticket.code, lines, day=today(), note=typed(note))

        sold = "Keep; these bins are sold"
        submit(sold, keep, key=f"keep-settled-{ticket.code}", type="primary")


def _keys_of(ticket: Ticket, bin_name: str) -> tuple[str, str, str]:
    """Return the keys of what is typed of one line: amount, grade, pieces blamed."""
    return (
        f"paid-{ticket.code}-{bin_name}",
        f"as-{ticket.code}-{bin_name}",
        f"blame-{ticket.code}-{bin_name}",
    )


def _settled(ticket: Ticket) -> None:
    settled = ticket.settled
    assert settled is not None
    rows = [
        {
            # What a phone cuts off at the right is what the ticket said anyway.
            "grade": one.title,
            "paid": f"{one.paid:,f}",
            "difference": f"{one.difference:+,f}",
            "on the ticket": f"{one.labelled:,f}",
            "expected": f"{one.expected:,f}",
        }
        for one in differences(ticket)
    ]
    st.markdown(
        f"✓ paid **{money_words(settled.paid, ticket.currency)}** on {settled.day}, "
        f"{settled.paid - ticket.labelled:+,f} against the ticket"
    )
    st.dataframe(rows, hide_index=True)
    if settled.note:
        st.caption(plain(settled.note))
