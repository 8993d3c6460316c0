"""The frame around every page: name, places to go, style."""

from __future__ import annotations

import streamlit as st

from app.web.style import SHEET

PLACES = ("Grade a piece", "Second opinion", "Practice", "Records")


def run() -> None:
    """Show the page that was asked for, inside the frame."""
    from app.web.grade_page import show as grade_page

    st.set_page_config(page_title="Cuproscope", page_icon="🟠", layout="wide")
    pages = [
        st.Page(grade_page, title="Grade a piece", icon=":material/crop_free:", default=True),
    ]
    chosen = st.navigation(pages, position="hidden")
    st.html(SHEET)
    with st.container(key="places", horizontal=True):
        for page in pages:
            st.page_link(page)
    chosen.run()
