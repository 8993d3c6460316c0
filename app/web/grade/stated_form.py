"""The questions about a piece, asked on the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import streamlit as st

from app.request import CHECK_BAR_MM
from app.web.desk.stated import (
    CUT_ENDS,
    FORMS,
    MAGNETS,
    NO,
    NOT_SAID,
    QUESTIONS,
    REFERENCES,
    SOURCES,
    YES,
    Stated,
    coins,
    shipped_sheet,
)
from rules.sheet import sheet_names


def ask_stated(before: Stated, *, buyers: Mapping[str, str]) -> Stated:
    """Show the questions with the answers given before, and return the answers now.

    ``buyers`` holds the names of the buyers there are, by id.
    """
    left, right = st.columns(2, gap="large")
    with left:
        reference = _pick("What lies beside the piece?", list(REFERENCES), before.reference)
        coin, marker_mm, bar_mm = before.coin, before.marker_mm, before.bar_mm
        if REFERENCES[reference] == "coin":
            coin = _coin(before.coin)
        elif REFERENCES[reference] == "marker":
            marker_mm = st.number_input(
                "Width of the marker's black square, mm",
                min_value=5.0,
                max_value=300.0,
                value=before.marker_mm,
                step=1.0,
                key="marker-mm",
            )
        elif REFERENCES[reference] == "sheet":
            bar_mm = st.number_input(
                "Its check bar measures, mm",
                min_value=0.9 * CHECK_BAR_MM,
                max_value=1.1 * CHECK_BAR_MM,
                value=before.bar_mm,
                step=0.1,
                format="%.1f",
                key="bar-mm",
                help="Measure the bar at the foot of the sheet once: printers are off by up to "
                "2 %, and so would be every thickness.",
            )
        form = _pick("What is it?", list(FORMS), before.form)
        names = list(sheet_names())
        sheet = st.radio(  # a closed list would cut the titles off on a phone
            "Graded by which rules?",
            names,
            index=names.index(before.sheet) if before.sheet in names else 0,
            format_func=lambda name: shipped_sheet(name).title,
            key="sheet",
        )
        buyer_id = before.buyer_id if before.buyer_id in buyers else None
        if buyers:
            ids = [None, *buyers]
            buyer_id = st.selectbox(
                "For which buyer?",
                ids,
                index=ids.index(buyer_id),
                format_func=lambda i: "any: the limits of these rules" if i is None else buyers[i],
                key="for-buyer",
                help="A buyer's own limit is used once it is learned from enough outcomes.",
            )
    with right:
        magnet = _pick("What does a magnet do?", list(MAGNETS), before.magnet)
        cut_end = _pick("A fresh cut or file mark shows", list(CUT_ENDS), before.cut_end)
        answers = dict(before.yes_no)
        yes_no = tuple(
            (name, _pick(question, [NOT_SAID, YES, NO], answers.get(name, NOT_SAID)))
            for name, question in QUESTIONS.items()
        )
    return Stated(
        source=before.source,
        reference=reference,
        coin=coin,
        marker_mm=marker_mm,
        bar_mm=bar_mm,
        form=form,
        magnet=magnet,
        cut_end=cut_end,
        yes_no=yes_no,
        sheet=sheet,
        buyer_id=buyer_id,
    )


def ask_source(before: Stated) -> Stated:
    """Show one row of taps: where is it from? It holds for the next photos too."""
    source = _pick("Where is it from?", list(SOURCES), before.source)
    return replace(before, source=source)


def _coin(before: str | None) -> str:
    known = coins()
    keys = list(known.values())
    names = {key: name for name, key in known.items()}
    return st.selectbox(
        "Which coin?",
        keys,
        index=keys.index(before) if before in keys else 0,
        format_func=names.__getitem__,
        key="coin",
    )


def _pick(question: str, words: Sequence[str], before: str) -> str:
    chosen = st.pills(
        question,
        list(words),
        default=before if before in words else words[0],
        required=True,
        key=f"said-{question}",
        wrap=True,  # in a column they would else run out of view
    )
    return chosen if chosen is not None else words[0]
