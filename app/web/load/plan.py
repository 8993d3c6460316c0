"""The plan: who should get the load, what to pull, what is worth a minute."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path

import altair as alt
import streamlit as st

from app.load.bins import Load, Piece, moved
from app.load.break_even_chart import chart_rows
from app.load.cuts_pdf import write_cut_list
from app.load.hold import hold
from app.load.json_out import load_object
from app.load.offer import Offer
from app.load.planning import Plan, plan_load
from app.load.prices import PriceBook
from app.load.report import an_hour_words, pull_words
from app.load.store import LoadStore
from app.load.terms import Terms, terms_of, title_of
from app.load.units import MassUnit, mass_from
from app.load.worth import BreakEven, Worth
from app.web.grade.verdict import as_line
from app.web.load.parts import CHART_PX, legend_below, thumb, today
from app.web.plain import plain
from app.web.pressing import press
from app.web.thumbs import small_photo
from app.words import percent_of

BEST = "the best offer"


def show(store: LoadStore, load: Load, unit: MassUnit) -> None:
    """Show the plan of a load."""
    buyers = store.buyers()
    if not load.bins:
        st.info("Put something into a bin first.")
        return
    if not buyers:
        st.info("Write down a buyer and what they pay first (Buyers).")
        return
    currencies = sorted({buyer.currency for buyer in buyers})
    with st.container(border=True):
        left, middle, right = st.columns(3)
        minutes = left.number_input("Minutes there are", 0, 600, 60, 15, key="minutes")
        worth = f"Your hour is worth, {' or '.join(currencies)}"
        hourly = middle.number_input(worth, 0.0, 500.0, 20.0, 1.0, key="hourly")
        for_whom = right.selectbox(
            "Pull and cut for", [BEST, *(buyer.name for buyer in buyers)], key="for-whom"
        )
        currency = currencies[0]
        if len(currencies) > 1:
            currency = st.pills("Buyers who pay in", currencies, default=currency, required=True)
    chosen = [buyer for buyer in buyers if buyer.currency == currency]
    buyer = None if for_whom == BEST else for_whom
    if buyer is not None and buyer not in [one.name for one in chosen]:
        st.warning(f"{plain(buyer)} pays in another currency.")
        return
    book = store.book()
    terms = [terms_of(one, book, on=today()) for one in chosen]
    plan = _planned(
        _key(load, unit, terms, book), load, terms, buyer, float(minutes), float(hourly)
    )
    _offers(plan)
    _pulls(store, plan)
    _evening(plan, unit)
    _kinds(plan, unit)
    _wait(load, plan, unit)
    st.subheader("Mind")
    for text in plan.cautions:
        st.markdown(f"- {plain(text)}")


def _key(load: Load, unit: MassUnit, terms: Sequence[Terms], book: PriceBook) -> str:
    """Return everything that decides a plan, as text: the same, and it is not made again."""
    told = json.dumps(load_object(load, unit=unit), sort_keys=True)
    findings = [repr(piece.findings) for piece in load.pieces]
    return f"{told}{findings}{[repr(one.buyer) for one in terms]}{book!r}{today()}"


@st.cache_data(max_entries=6, show_spinner="Working the plan out …")
def _planned(
    key: str,  # noqa: ARG001 (stands for the values behind it)
    _load: Load,
    _terms: Sequence[Terms],
    buyer: str | None,
    minutes: float,
    hourly: float,
) -> Plan:
    return plan_load(_load, _terms, buyer=buyer, minutes=minutes, hourly=hourly)


def _offers(plan: Plan) -> None:
    st.subheader("Which buyer")
    for number, offer in enumerate(plan.offers):
        _offer(offer, best=number == 0)
    if plan.chance is not None and plan.offers[1].refused is None:
        first, second = plan.offers[0].buyer.name, plan.offers[1].buyer.name
        st.markdown(
            f"**{percent_of(plan.chance)} %** likely: {plain(first)} leaves you more "
            f"than {plain(second)}."
        )
    found, currency = plan.split, plan.terms.buyer.currency
    if found is not None and found.gain > 0.005 and len(found.bins_of) > 1:
        told = "; ".join(
            f"{plain(', '.join(bins))} to **{plain(name)}**" for name, bins in found.bins_of.items()
        )
        st.success(
            f"Split it: {told}. That leaves {currency} {found.gain:,.2f} more.",
            icon=":material/call_split:",
        )
    elif found is not None and len(plan.offers) > 1:
        st.caption("Splitting the load between buyers does not pay.")


def _offer(offer: Offer, *, best: bool) -> None:
    currency = offer.buyer.currency
    with st.container(border=True):
        if offer.refused is not None:
            st.markdown(f"**{plain(offer.buyer.name)}** {plain(offer.refused)}")
            return
        sign = "▲ best · " if best else ""
        st.markdown(
            f"{sign}**{plain(offer.buyer.name)}**  \n"
            f"**{currency} {offer.net:,.2f}** after travel · pays {offer.expected:,.2f} "
            f"(likely {offer.low95:,.2f} to {offer.high95:,.2f}); if every bin passes "
            f"as labelled {offer.labelled:,f}"
        )
        risky = [line for line in offer.lines if line.risk.p_downgrade >= 0.2]
        for line in risky:
            percent = percent_of(line.risk.p_downgrade)
            st.markdown(
                f"! {percent} % likely: {plain(line.bin)} is paid as less than "
                f"{plain(title_of(line.grade))}"
            )
        if offer.unpriced:
            missing = ", ".join(map(title_of, offer.unpriced))
            st.markdown(f"! no price for {plain(missing)}: counted as nothing")
        if offer.stale:
            oldest = max(price.age_days(today()) for price in offer.stale)
            st.markdown(f"! prices up to {oldest} days old: ask before you go")


def _pulls(store: LoadStore, plan: Plan) -> None:
    st.subheader(f"What to pull before {plain(plan.terms.buyer.name)} sees it")
    currency = plan.terms.buyer.currency
    pieces = {piece.id: piece for piece in plan.load.pieces}
    if not any(found.pulls for found in plan.pulls.values()):
        st.markdown("Nothing: the bins are best as they are.")
    for name, found in plan.pulls.items():
        if not found.pulls:
            continue
        before, after = (percent_of(one.p_downgrade) for one in (found.before, found.after))
        with st.container(border=True):
            st.markdown(
                f"**{plain(name)}: {currency} {found.gain:+,.2f}**  \nchance of being "
                f"paid as less: {before}\N{NO-BREAK SPACE}% now, {after}\N{NO-BREAK SPACE}% after"
                + ("" if found.is_exact else " (searched, not all tried)")
            )
            for number, pull in enumerate(found.pulls, start=1):
                piece = pieces[pull.id]
                with st.container(horizontal=True, vertical_alignment="center"):
                    thumb(piece, width=72)
                    st.markdown(
                        f"{number}. {plain(piece.name or piece.id)}: "
                        f"{pull_words(pull.gain, currency)}"
                    )
            fitting = _fitting(plan, [pull.id for pull in found.pulls], name)
            if fitting:
                pulled = partial(store.edit, plan.load.name, partial(_all_moved, to_of=fitting))
                press("I pulled them", pulled, key=f"pulled-{name}")


def _all_moved(load: Load, *, to_of: Mapping[str, str]) -> Load:
    for piece_id, to in to_of.items():
        load = moved(load, piece_id, to)
    return load


def _fitting(plan: Plan, ids: list[str], name: str) -> dict[str, str]:
    """Return the bin that each pulled piece goes into; empty where one has none."""
    found = {}
    for piece_id in ids:
        p = plan.terms.p_of(plan.load.piece(piece_id))
        wanted = sorted(p, key=lambda grade: -p[grade])
        bins = [b.name for grade in wanted for b in plan.load.bins if b.grade == grade]
        others = [one for one in bins if one != name]
        if not others:
            return {}
        found[piece_id] = others[0]
    return found


def _evening(plan: Plan, unit: MassUnit) -> None:
    evening, currency = plan.evening, plan.terms.buyer.currency
    st.subheader("Worth the time")
    st.markdown(
        f"**{evening.minutes:.0f} of {evening.limit_minutes:.0f} min, "
        f"{currency} {evening.gain:,.2f}**, at most one job a piece, best paid first."
    )
    if not evening.chosen:
        st.markdown(f"No job pays {currency} {evening.hourly:g} an hour.")
    for number, worth in enumerate(evening.chosen, start=1):
        _job(number, worth, plan.load.piece(worth.job.piece), currency, unit)
    if evening.chosen:
        st.download_button(
            "Cut list to print (PDF)",
            lambda: cut_list(plan, unit),
            "cut-list.pdf",
            "application/pdf",
            icon=":material/print:",
            on_click="ignore",
        )
    if evening.left_out:
        with st.expander("What to leave"):
            for worth in evening.left_out:
                why = an_hour_words(worth, currency) if worth.gain > 0 else "it costs"
                why = "no time left" if worth.pays else why
                st.markdown(f"- {plain(worth.job.name)}: {why}")


def cut_list(plan: Plan, unit: MassUnit) -> bytes:
    """Return the cut list of a plan as PDF."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "cuts.pdf"
        write_cut_list(path, plan, unit=unit, photo_of=small_photo)
        return path.read_bytes()


def _job(number: int, worth: Worth, piece: Piece, currency: str, unit: MassUnit) -> None:
    job, parts = worth.job, worth.job.becomes
    becomes = [f"of its weight {100 * parts.rises:.0f} % to {title_of(job.to)}"]
    becomes += [f"{100 * parts.stays:.0f} % stays"] if parts.stays else []
    becomes += [f"{100 * parts.brass:.0f} % as brass"] if parts.brass else []
    becomes += [f"{100 * parts.waste:.0f} % waste"] if parts.waste else []
    with st.container(border=True, horizontal=True, vertical_alignment="center"):
        thumb(piece)
        st.markdown(
            f"{number}. **{plain(job.name)}** ({job.kg / float(unit.kg):.2f} {unit}, "
            f"{plain(job.bin)})  \n{plain(as_line(job.action))}  \n"
            f"**{currency} {worth.gain:+,.2f}** in {job.minutes:.3g} min, "
            f"{an_hour_words(worth, currency)}; {plain(', '.join(becomes))}"
        )


def _kinds(plan: Plan, unit: MassUnit) -> None:
    hourly, currency = plan.evening.hourly, plan.terms.buyer.currency
    if not hourly or not plan.kinds:
        return
    with st.expander(f"From which weight on a job pays {currency} {hourly:g} an hour"):
        curves = [(kind.words, curve) for kind, curve in plan.kinds]
        _curves(curves, unit=unit, currency=currency)
        for kind, one in plan.kinds:
            least = "never at these prices"
            if one.least_kg is not None:
                least = f"from {one.least_kg / float(unit.kg):.2f} {unit}"
            st.markdown(
                f"- {plain(kind.words)} ({plain(title_of(one.from_grade))} to "
                f"{plain(title_of(one.to_grade))}): {least}"
            )


def _curves(curves: Sequence[tuple[str, BreakEven]], *, unit: MassUnit, currency: str) -> None:
    per = float(unit.kg)
    now = [
        {"kind": words, "gap": one.gap_per_kg * per, "least": one.least_kg / per}
        for words, one in curves
        if one.least_kg is not None
    ]
    top = 3 * max((one.least_kg / per for _, one in curves if one.least_kg), default=3.0)
    rows = [row for row in chart_rows(curves, unit=unit) if float(str(row["least"])) <= top]
    x = alt.X("gap:Q", title=f"price gap, {currency} a {unit}")
    y = alt.Y("least:Q", title=f"least weight, {unit}")
    colour = alt.Color("kind:N", title=None, legend=legend_below(1))
    dash = alt.StrokeDash("kind:N", title=None, legend=legend_below(1))
    lines = alt.Chart({"values": rows}).mark_line()
    dots = alt.Chart({"values": now}).mark_point(filled=True, size=90)
    both = lines.encode(x=x, y=y, color=colour, strokeDash=dash)
    st.altair_chart((both + dots.encode(x=x, y=y, color=colour)).properties(height=CHART_PX))
    st.caption("The dots are today's prices.")


def _wait(load: Load, plan: Plan, unit: MassUnit) -> None:
    with st.expander("Go now, or wait and go once"):
        titles = list(plan.terms.sheet.grade_ids)
        grade = st.selectbox("What comes in", titles, index=1, format_func=title_of)
        text = st.text_input(f"How much a week, {unit}", value="10", max_chars=10)
        kg = mass_from(text, unit=unit)
        rows = hold(plan.terms, load, kg_a_week={grade: kg})
        currency = plan.terms.buyer.currency
        st.dataframe(
            [
                {
                    "weeks": row.weeks,
                    f"{unit} then": round(float(row.kg) / float(unit.kg), 1),
                    f"gain, {currency}": f"{row.gain:.2f}",
                    "lost if prices fall by": f"{100 * row.fall_share:.1f} %",
                }
                for row in rows
            ],
            hide_index=True,
        )
