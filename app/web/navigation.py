"""How does one page lead to another, without knowing it?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import streamlit as st

_KEY = "cuproscope-places"


def remember(pages: Mapping[str, Any]) -> None:
    """Remember the server's pages of this visit by what they are called."""
    st.session_state[_KEY] = dict(pages)


def go(title: str) -> None:
    """Go to a page by what it is called."""
    st.switch_page(st.session_state[_KEY][title])
