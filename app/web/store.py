"""The records, opened once and shared by everybody who looks at the pages."""

from __future__ import annotations

import streamlit as st

from app.opening import open_records
from app.records import Records


@st.cache_resource(show_spinner=False)
def _opened() -> Records:
    return open_records()


def records() -> Records:
    """Return the records of this machine; what there is to tell of them is told once a visit."""
    opened = _opened()
    if opened.messages and not st.session_state.get("records-told"):
        st.session_state["records-told"] = True
        for message in opened.messages:
            st.warning(message, icon=":material/folder_off:")
    return opened
