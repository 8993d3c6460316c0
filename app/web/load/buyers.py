"""Buyers: how each buys, what they pay, and how that went over time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from functools import partial
from typing import Any

import altair as alt
import streamlit as st

from app.load.buyers import USUAL_CURRENCY, Buyer, OwnLimit, Stance, sheet_of
from app.load.prices import Price, PriceBook
from app.load.store import LoadStore
from app.load.terms import grade_titles, title_of
from app.load.units import (
    EXACT,
    MassUnit,
    limit_words,
    mass_from,
    money_from,
    money_words,
    number_from,
    price_figure,
    price_from,
)
from app.web.desk.stated import shipped_sheet
from app.web.load.parts import CHART_PX, legend_below, today
from app.web.plain import plain
from app.web.pressing import press, submit, typed
from rules.sheet import load_sheet, sheet_names
from rules.table import AtLimit, Limit

GAUGE, TARNISH = "strand", "no1_tarnish"
NEW = "A new buyer"


def show(store: LoadStore, unit: MassUnit) -> None:
    """Show the buyers and their prices."""
    buyers, book = store.buyers(), store.book()
    for buyer in buyers:
        _buyer(store, buyer, book, unit)
    with st.expander(
        NEW, key=f"new-{len(buyers)}", icon=":material/add_business:", expanded=not buyers
    ):
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
        with st.expander("New prices", key=f"prices-open-{buyer.name}", icon=":material/sell:"):
            _prices(store, buyer, unit)
        with st.expander("How prices went", icon=":material/show_chart:"):
            _history(book, buyer, unit)
        with st.expander("How they buy", key=f"terms-open-{buyer.name}", icon=":material/tune:"):
            _form(store, buyer, unit)


def _row(price: Price, unit: MassUnit) -> dict[str, object]:
    amount = EXACT.multiply(price.per_kg, unit.kg)
    step = "" if not price.from_kg else f" from {limit_words(price.from_kg, unit)}"
    return {
        "grade": f"{title_of(price.grade)}{step}",
        f"{price.currency} a {unit}": price_figure(amount, price.currency),
        "since": price.day.isoformat(),
    }


def _terms(buyer: Buyer, unit: MassUnit) -> str:
    limits = sheet_of(buyer).limits
    told = [shipped_sheet(buyer.sheet).title]
    if GAUGE in limits:
        edge = "at least" if limits[GAUGE].at_limit is AtLimit.PASSES else "more than"
        told.append(f"strands {edge} {limits[GAUGE].value:g} mm")
    told += ["lets solder pass"] if buyer.solder is Stance.PASSES else []
    told += ["lets fittings pass"] if buyer.fittings is Stance.PASSES else []
    told += [f"{float(100 * buyer.deduction):.3g} % off the weight"] if buyer.deduction else []
    if buyer.least_kg:
        told.append(f"from {limit_words(buyer.least_kg, unit)} on")
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
        keys = {grade: f"price-{buyer.name}-{grade}" for grade in titles}
        for grade, title in titles.items():
            st.text_input(title, key=keys[grade], max_chars=12)

        def keep() -> None:
            told = {grade: typed(key).strip() for grade, key in keys.items()}
            store.add_prices(
                Price(
                    buyer=buyer.name,
                    grade=grade,
                    amount=price_from(text, what=title_of(grade)),
                    per=unit,
                    currency=buyer.currency,
                    day=today(),
                )
                for grade, text in told.items()
                if text
            )

        submit("Write down, from today", keep, key=f"keep-prices-{buyer.name}", type="primary")


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
            x=alt.X("day:T", title=None, axis=alt.Axis(format="%d %b", tickCount=3)),
            y=alt.Y("price:Q", title=f"{buyer.currency} a {unit}", scale=alt.Scale(zero=False)),
            color=alt.Color("grade:N", title=None, legend=legend_below(2)),
            strokeDash=alt.StrokeDash("grade:N", title=None, legend=legend_below(2)),
        )
    )
    st.altair_chart(chart.properties(height=CHART_PX))


def _form(store: LoadStore, buyer: Buyer | None, unit: MassUnit) -> None:
    key = NEW if buyer is None else buyer.name
    base = Buyer(name="-", currency=USUAL_CURRENCY) if buyer is None else buyer
    limits = sheet_of(base).limits
    at = {name: f"buyer-{key}-{name}" for name in _FIELDS}
    with st.form(f"buyer-{key}", border=False):
        if buyer is None:
            st.text_input("Name", max_chars=80, key=at["name"])
            st.text_input("Pays in", value=USUAL_CURRENCY, max_chars=3, key=at["currency"])
        sheets = list(sheet_names())
        st.radio(  # a closed list would cut the titles off on a phone
            "Graded by which rules?",
            sheets,
            index=sheets.index(base.sheet),
            format_func=lambda name: shipped_sheet(name).title,
            key=at["sheet"],
        )
        gauge = "Each strand at least, mm (16 AWG is 1.291)"
        st.text_input(gauge, value=_limit_text(limits, GAUGE), key=at["gauge"])
        fails = GAUGE in limits and limits[GAUGE].at_limit is AtLimit.FAILS
        edge, ways = "A strand of exactly that", ["passes", "fails"]
        st.radio(edge, ways, index=int(fails), horizontal=True, key=at["edge"])
        tarnish = "Tarnish that still is No. 1 (0 fresh, 0.5 a dull penny, 1 black)"
        st.text_input(tarnish, value=_limit_text(limits, TARNISH), key=at["tarnish"])
        st.toggle("Lets solder pass", value=base.solder is Stance.PASSES, key=at["solder"])
        passes = base.fittings is Stance.PASSES
        st.toggle("Lets brass fittings pass", value=passes, key=at["fittings"])
        percent = f"{float(100 * base.deduction):.4g}"
        st.text_input("Taken off the weight for dirt, %", value=percent, key=at["deduction"])
        least = limit_words(base.least_kg, unit).split()[0]
        st.text_input(f"Buys from this weight on, {unit}", value=least, key=at["least"])
        st.text_input(f"One trip costs, {base.currency}", f"{base.travel:f}", key=at["travel"])
        wrong = "So many wrong pieces in a bin are overlooked"
        st.number_input(wrong, 0, 20, base.forgiven, key=at["forgiven"])
        st.text_area("Note", value=base.note, max_chars=400, key=at["note"])

        def keep() -> None:
            told = {name: typed(key) for name, key in at.items()}
            if buyer is not None:
                told.update(name=buyer.name, currency=buyer.currency)
            store.save_buyer(_changed(base, told, unit))

        submit("Keep", keep, key=f"keep-buyer-{key}", type="primary")
    if buyer is not None:
        press(
            "Remove this buyer and their prices",
            partial(store.remove_buyer, buyer.name),
            key=f"remove-{key}",
            icon=":material/delete:",
        )


_FIELDS = (
    *("name", "currency", "sheet", "gauge", "edge", "tarnish", "solder", "fittings"),
    *("deduction", "least", "travel", "forgiven", "note"),
)
"""What a buyer's form asks."""


def _limit_text(limits: Mapping[str, Limit], name: str) -> str:
    return f"{limits[name].value:g}" if name in limits else ""


def _changed(base: Buyer, told: Mapping[str, Any], unit: MassUnit) -> Buyer:
    """Return a buyer as the form says; raises ``LoadError`` where that makes no sense."""
    own, shipped = dict(base.limits), load_sheet(told["sheet"]).limits
    for limit, at in ((GAUGE, AtLimit(told["edge"])), (TARNISH, None)):
        text = told["gauge" if limit == GAUGE else "tarnish"].strip()
        if limit not in shipped or not text:
            continue
        value = float(number_from(text, what=limit, high=Decimal(200)))
        own.pop(limit, None)
        if value != shipped[limit].value or at not in (None, shipped[limit].at_limit):
            own[limit] = OwnLimit(value=value, at_limit=at)
    currency = told["currency"].strip().upper()
    percent = number_from(told["deduction"], what="off the weight", high=Decimal(99))
    new = replace(
        base,
        name=told["name"],
        currency=currency,
        sheet=told["sheet"],
        limits={one: limit for one, limit in own.items() if one in shipped},
        solder=Stance.PASSES if told["solder"] else Stance.COUNTS,
        fittings=Stance.PASSES if told["fittings"] else Stance.COUNTS,
        deduction=EXACT.divide(percent, Decimal(100)),
        least_kg=mass_from(told["least"], unit=unit),
        travel=money_from(told["travel"], currency, what="trip"),
        forgiven=int(told["forgiven"]),
        note=told["note"],
    )
    sheet_of(new)
    return new
