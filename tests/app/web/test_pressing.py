"""A press acts once, before the page is made, and tells what it could not do."""

from __future__ import annotations

from streamlit.testing.v1 import AppTest


def _page() -> None:
    import streamlit as st

    from app.records import RecordsError
    from app.web.pressing import press, typed

    kept = st.session_state.setdefault("kept", [])

    def keep() -> None:
        if typed("name") == "bad":
            raise RecordsError("that *name* is taken", fix="Take another.")
        kept.append(typed("name"))

    st.markdown(f"kept: {len(kept)}")
    st.text_input("Name", key="name")
    press("Keep", keep, key="keep")


def test_a_press_has_acted_before_the_page_is_made() -> None:
    at = AppTest.from_function(_page).run()
    at.text_input[0].set_value("elbow")
    at.button[0].click().run()
    assert at.markdown[0].value == "kept: 1"
    assert at.session_state["kept"] == ["elbow"]


def test_what_a_press_could_not_do_is_told_once_and_in_place() -> None:
    at = AppTest.from_function(_page).run()
    at.text_input[0].set_value("bad")
    at.button[0].click().run()
    assert at.error[0].value == r"That \*name\* is taken. Take another."
    assert at.session_state["kept"] == []
    at.run()
    assert not at.error
