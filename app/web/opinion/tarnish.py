"""The bar of the second opinion: where the piece lies, and where the limits are."""

from __future__ import annotations

import streamlit as st

from app.records import BuyerRecord, PieceRecord
from app.web.buyers import cutoffs_at, sheet_for
from app.web.opinion.comparing import Call, cuts_of, marks_of, pooled_marks
from app.web.opinion.pooling import change_of, level_of, steps_of
from app.web.opinion.tarnish_picture import WIDTH, Cut, alt_of, tarnish_picture
from app.web.picture import show_picture
from app.web.plain import plain
from app.web.store import records
from app.words import confidence_words, grade_words
from rules.buyer_cutoff import MIN_OUTCOMES, BuyerCutoff
from rules.engine import grade
from rules.sheet import RuleSheet


def show_tarnish(record: PieceRecord, sheet: RuleSheet, call: Call | None) -> None:
    """Show the tarnish level with its interval on the bar of reference surfaces."""
    st.subheader("How tarnished it is")
    buyer = _buyer()
    learned = cutoffs_at(records(), buyer.id, sheet) if buyer is not None else ()
    measured = level_of(record.findings)
    steps = steps_of(record)
    marks = pooled_marks(steps, call) if len(steps) > 1 else marks_of(measured, call)
    change = change_of(record)
    if change is not None:
        marks = (*marks, *marks_of(change.after, None, name="after cleaning"))
    cuts = cuts_of(sheet) + tuple(_cut(one, buyer) for one in learned if buyer is not None)
    if measured is None:
        st.caption("The finish could not be judged on its photo.")
    show_picture(tarnish_picture(marks, cuts), alt=alt_of(marks, cuts), width=WIDTH)
    if measured is not None:
        st.markdown(
            f"Tarnish **{measured.value:.2f}**, between {max(0, measured.low95):.2f} and "
            f"{min(1, measured.high95):.2f} (95 %), where 0 is fresh metal and 1 black-brown."
        )
    st.caption(
        "The surfaces are calculated, and your screen is no colour standard: compare along the "
        "strip, not with the piece in your hand."
    )
    if buyer is not None:
        _for_buyer(record, sheet, buyer, learned)


def _buyer() -> BuyerRecord | None:
    known = records().buyers()
    if not known:
        return None
    names = {buyer.id: buyer.name for buyer in known}
    chosen = st.selectbox(
        "Whose limits?",
        [None, *names],
        format_func=lambda i: "the sheet's only" if i is None else names[i],
        key="limits-of",
        persist_state="session",
    )
    return next((buyer for buyer in known if buyer.id == chosen), None)


def _cut(learned: BuyerCutoff, buyer: BuyerRecord | None) -> Cut:
    assert buyer is not None
    state = "" if learned.usable else ", not used yet"
    return Cut(
        name=f"{buyer.name}{state}",
        value=round(learned.value, 3),
        low=round(learned.low95, 3),
        high=round(learned.high95, 3),
    )


def _for_buyer(
    record: PieceRecord, sheet: RuleSheet, buyer: BuyerRecord, learned: tuple[BuyerCutoff, ...]
) -> None:
    if not learned:
        st.markdown(
            f"Nothing is known yet of where **{plain(buyer.name)}** draws the line: tell below "
            f"what they took pieces as. From {MIN_OUTCOMES} outcomes on their own limit is used."
        )
        return
    for one in learned:
        st.markdown(
            f"**{plain(buyer.name)}**, {plain(sheet.limits[one.limit].what)}: up to "
            f"**{one.value:.2f}** (between "
            f"{one.low95:.2f} and {one.high95:.2f}, 95 %; the sheet says {one.sheet_value:.2f}). "
            f"{one.outcomes} outcomes, {one.accepted} of them accepted. "
            + ("It is used: " if one.usable else "It is not used: ")
            + plain(one.why)
            + "."
        )
    own = sheet_for(records(), buyer.id, sheet)
    if own is not sheet:
        graded = grade(record.findings, own)
        st.markdown(
            f"For {plain(buyer.name)}: **{plain(grade_words(graded, own))}**, "
            f"{plain(confidence_words(graded))}."
        )
