"""Buyers: how each buys, what they pay, and how that went over time."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import altair as alt
import streamlit as st

from app.load.buyers import USUAL_CURRENCY, Buyer, OwnLimit, Stance, sheet_of
from app.load.prices import Price, PriceBook
from app.load.store import LoadStore
from app.load.units import (
    EXACT,
    MassUnit,
    in_unit,
    mass_from,
    money_from,
    money_words,
    number_from,
    price_from,
)
from app.web.load.parts import attempt, grade_titles, title_of, today
from app.web.plain import plain
from rules.sheet import load_sheet, sheet_names
from rules.table import AtLimit

GAUGE, TARNISH = "strand", "no1_tarnish"
NEW = "A new buyer"


def show(store: LoadStore, unit: MassUnit) -> None:
    """Show the buyers and their prices."""
    buyers, book = store.buyers(), store.book()
    for buyer in buyers:
        _buyer(store, buyer, book, unit)
    with st.expander(NEW, icon=":material/add_business:", expanded=not buyers):
        _form(store, None, unit)


def _buyer(store: LoadStore, buyer: Buyer, book: PriceBook, unit: MassUnit) -> None:
    with st.container(border=True):
        st.markdown(f"#### {plain(buyer.name)}")
        if buyer.note:
            st.caption(plain(buyer.note))
        current = book.current(buyer.name, on=today())
        if current:
            order = {grade: n for n, grade in enumerate(grade_titles(buyer.sheet))}
            # Prices for grades of the sheet that they followed before stand last.
            rows = sorted(current, key=lambda p: (order.get(p.grade, len(order)), p.from_kg))
            st.dataframe([_row(p, unit) for p in rows], hide_index=True)
            stale = [price for price in current if price.is_stale(today())]
            if stale:
                oldest = max(price.age_days(today()) for price in stale)
                st.warning(f"Prices are up to {oldest} days old.", icon=":material/schedule:")
        else:
            st.markdown("! no price yet")
        st.markdown(_terms(buyer, unit))
        with st.expander("New prices", icon=":material/sell:"):
            _prices(store, buyer, unit)
        with st.expander("How prices went", icon=":material/show_chart:"):
            _history(book, buyer, unit)
        with st.expander("How they buy", icon=":material/tune:"):
            _form(store, buyer, unit)


def _row(price: Price, unit: MassUnit) -> dict[str, object]:
    amount = EXACT.multiply(price.per_kg, unit.kg)
    step = "" if not price.from_kg else f" from {in_unit(price.from_kg, unit):.0f} {unit}"
    return {
        "grade": f"{title_of(price.grade)}{step}",
        f"{price.currency} a {unit}": f"{amount:.3f}",
        "since": price.day.isoformat(),
    }


def _terms(buyer: Buyer, unit: MassUnit) -> str:
    limits = sheet_of(buyer).limits
    told = [f"sheet {buyer.sheet}"]
    if GAUGE in limits:
        edge = "at least" if limits[GAUGE].at_limit is AtLimit.PASSES else "more than"
        told.append(f"strands {edge} {limits[GAUGE].value:g} mm")
    told += ["lets solder pass"] if buyer.solder is Stance.PASSES else []
    told += ["lets fittings pass"] if buyer.fittings is Stance.PASSES else []
    told += [f"{float(100 * buyer.deduction):.3g} % off the weight"] if buyer.deduction else []
    if buyer.least_kg:
        told.append(f"from {in_unit(buyer.least_kg, unit):.0f} {unit} on")
    told += [f"trip {money_words(buyer.travel, buyer.currency)}"] if buyer.travel else []
    told.append(
        f"overlooks {buyer.forgiven} wrong in a bin"
        if buyer.forgiven
        else "one wrong piece pulls the bin down"
    )
    return plain("; ".join(told))


def _prices(store: LoadStore, buyer: Buyer, unit: MassUnit) -> None:
    with st.form(f"prices-{buyer.name}", border=False):
        st.caption(f"{buyer.currency} for one {unit}; leave empty what did not change.")
        titles = grade_titles(buyer.sheet)
        typed = {
            grade: st.text_input(title, key=f"price-{buyer.name}-{grade}", max_chars=12)
            for grade, title in titles.items()
        }
        if st.form_submit_button("Write down, from today", type="primary"):

            def keep() -> None:
                store.add_prices(
                    Price(
                        buyer=buyer.name,
                        grade=grade,
                        amount=price_from(text, what=title_of(grade)),
                        per=unit,
                        currency=buyer.currency,
                        day=today(),
                    )
                    for grade, text in typed.items()
                    if text.strip()
                )

            attempt(keep)


def _history(book: PriceBook, buyer: Buyer, unit: MassUnit) -> None:
    rows = [
        {
            "day": price.day.isoformat(),
            "price": float(EXACT.multiply(price.per_kg, unit.kg)),
            "grade": title_of(price.grade),
        }
        for grade in grade_titles(buyer.sheet)
        for price in book.history(buyer.name, grade)
        if not price.from_kg
    ]
    if not rows:
        st.caption("No price yet.")
        return
    chart = (
        alt.Chart({"values": rows})
        .mark_line(interpolate="step-after", point=True)
        .encode(
            x=alt.X("day:T", title=None),
            y=alt.Y("price:Q", title=f"{buyer.currency} a {unit}", scale=alt.Scale(zero=False)),
            color=alt.Color("grade:N", title=None),
            strokeDash=alt.StrokeDash("grade:N", title=None),
        )
    )
    st.altair_chart(chart)


def _form(store: LoadStore, buyer: Buyer | None, unit: MassUnit) -> None:
    key = NEW if buyer is None else buyer.name
    base = Buyer(name="-", currency=USUAL_CURRENCY) if buyer is None else buyer
    limits = sheet_of(base).limits
    with st.form(f"buyer-{key}", border=False):
        name = base.name if buyer is not None else st.text_input("Name", max_chars=80)
        currency = base.currency
        if buyer is None:
            currency = st.text_input("Pays in", value=USUAL_CURRENCY, max_chars=3).upper()
        sheets = list(sheet_names())
        sheet = st.selectbox("Rule sheet", sheets, index=sheets.index(base.sheet))
        gauge = st.text_input(
            "Strand limit, mm", value=f"{limits[GAUGE].value:g}" if GAUGE in limits else ""
        )
        fails = GAUGE in limits and limits[GAUGE].at_limit is AtLimit.FAILS
        edge = st.radio(
            "A strand exactly on it", ["passes", "fails"], index=int(fails), horizontal=True
        )
        tarnish = st.text_input(
            "Tarnish that still is No. 1 (0 fresh, 1 black)",
            value=f"{limits[TARNISH].value:g}" if TARNISH in limits else "",
        )
        solder = st.toggle("Lets solder pass", value=base.solder is Stance.PASSES)
        fittings = st.toggle("Lets brass fittings pass", value=base.fittings is Stance.PASSES)
        deduction = st.text_input("Off the weight, %", value=f"{float(100 * base.deduction):.4g}")
        least = st.text_input(f"Not less than, {unit}", value=f"{in_unit(base.least_kg, unit):.4g}")
        travel = st.text_input(f"One trip costs, {currency}", value=f"{base.travel:f}")
        forgiven = st.number_input("Wrong pieces overlooked in a bin", 0, 20, base.forgiven)
        note = st.text_area("Note", value=base.note, max_chars=400)
        if st.form_submit_button("Keep", type="primary"):

            def keep() -> None:
                own = dict(base.limits)
                shipped = load_sheet(sheet).limits
                for limit, text, at in ((GAUGE, gauge, AtLimit(edge)), (TARNISH, tarnish, None)):
                    if limit in shipped and text.strip():
                        value = float(number_from(text, what=limit, high=Decimal(200)))
                        same = value == shipped[limit].value and at in (
                            None,
                            shipped[limit].at_limit,
                        )
                        own.pop(limit, None)
                        if not same:
                            own[limit] = OwnLimit(value=value, at_limit=at)
                percent = number_from(deduction, what="off the weight", high=Decimal(99))
                new = replace(
                    base,
                    name=name,
                    currency=currency,
                    sheet=sheet,
                    limits={one: limit for one, limit in own.items() if one in shipped},
                    solder=Stance.PASSES if solder else Stance.COUNTS,
                    fittings=Stance.PASSES if fittings else Stance.COUNTS,
                    deduction=EXACT.divide(percent, Decimal(100)),
                    least_kg=mass_from(least, unit=unit),
                    travel=money_from(travel, currency, what="trip"),
                    forgiven=int(forgiven),
                    note=note,
                )
                sheet_of(new)
                store.save_buyer(new)

            attempt(keep)
    if buyer is not None and st.button(
        "Remove this buyer and their prices", key=f"remove-{key}", icon=":material/delete:"
    ):
        attempt(lambda: store.remove_buyer(buyer.name))
