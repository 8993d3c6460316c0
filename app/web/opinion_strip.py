"""The strip of the second opinion: where the piece lies, and where the limits are."""

from __future__ import annotations

import streamlit as st

from app.records import PieceRecord
from app.web.opinion import Call, cuts_of, level_of, marks_of
from app.web.strip_picture import alt_of, strip_picture
from rules.sheet import RuleSheet


def show_strip(record: PieceRecord, sheet: RuleSheet, call: Call | None) -> None:
    """Show the tarnish level with its interval on the strip of reference surfaces."""
    st.subheader("How tarnished it is")
    measured = level_of(record.findings)
    marks, cuts = marks_of(measured, call), cuts_of(sheet)
    if measured is None:
        st.caption("The finish could not be judged on its photo.")
    st.image(strip_picture(marks, cuts), alt=alt_of(marks, cuts), width="stretch")
    if measured is not None:
        st.markdown(
            f"Tarnish **{measured.value:.2f}**, between {max(0, measured.low95):.2f} and "
            f"{min(1, measured.high95):.2f} (95 %), where 0 is fresh metal and 1 black-brown. "
            "The surfaces are calculated, and your screen is no colour standard: compare along "
            "the strip, not with the piece in your hand."
        )
