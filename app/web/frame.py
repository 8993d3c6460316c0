"""The frame around every page: name, places to go, style."""

from __future__ import annotations

import streamlit as st

from app.web.places import pages
from app.web.style import SHEET


def run() -> None:
    """Show the page that was asked for, inside the frame."""
    st.set_page_config(page_title="Cuproscope", page_icon="🟠", layout="wide")
    known = pages()
    chosen = st.navigation(list(known.values()), position="hidden")
    st.html(SHEET)
    with st.container(key="places", horizontal=True):
        for page in known.values():
            st.page_link(page)
    chosen.run()
