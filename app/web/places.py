"""Which pages are there, in the order of the bar?"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import streamlit as st

from app.web.navigation import remember


def pages() -> dict[str, Any]:
    """Return the server's pages by what they are called."""
    from app.web.grade.page import show as grade_page
    from app.web.load.page import show as load_page
    from app.web.opinion.page import show as opinion_page
    from app.web.practice.page import show as practice_page
    from app.web.records.page import show as records_page

    known: list[tuple[str, str, Callable[[], None]]] = [
        ("Grade a piece", ":material/crop_free:", grade_page),
        ("Second opinion", ":material/balance:", opinion_page),
        ("The load", ":material/scale:", load_page),
        ("Practice", ":material/school:", practice_page),
        ("Records", ":material/inventory_2:", records_page),
    ]
    found = {
        title: st.Page(
            show,
            title=title,
            icon=icon,
            default=number == 0,
            url_path=None if number == 0 else title.lower().replace(" ", "-"),
        )
        for number, (title, icon, show) in enumerate(known)
    }
    remember(found)
    return found
