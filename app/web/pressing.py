"""How does a press count, however slow the machine is?

A press that the script finds by asking ``if st.button(...)`` is forgotten when another
press or a typed word comes before the script has got that far: the run that carries it is
cut short, and its presses are cleared. And a page that was asked for while a run ends in
``st.rerun`` is never shown: the rerun takes its place. So a press here acts before anything
is drawn: its run can be cut short after that at no cost, and no second run is needed. That it
isn't cut short before is the server's part (``app.web.server.whole_presses``). What it needs
of the inputs is read when it acts (:func:`typed`), for what was drawn last may be older.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import streamlit as st

from app.web.plain import plain
from rules.errors import CuproscopeError
from rules.sentences import sentence

_FAULT = "cuproscope-fault"
_ACTED = "cuproscope-acted"


def press(label: str, act: Callable[[], object], *, key: str, **look: Any) -> None:  # noqa: ANN401
    """Show a button; what its press could not do is told beneath it.

    Args:
        label: Its words.
        act: What the press does; a ``CuproscopeError`` of it is told in place.
        key: Names the button among all of this visit.
        look: Anything else that ``st.button`` takes.
    """
    st.button(label, key=key, on_click=_do, args=(act, key, object()), **look)
    _tell(key)


def submit(label: str, act: Callable[[], object], *, key: str, **look: Any) -> None:  # noqa: ANN401
    """Show the button of a form, as :func:`press`."""
    st.form_submit_button(label, key=key, on_click=_do, args=(act, key, object()), **look)
    _tell(key)


def typed(key: str) -> Any:  # noqa: ANN401 (as many types as inputs)
    """Return what an input holds at this moment, None where it was not drawn yet."""
    return st.session_state.get(key)


def words_of(fault: CuproscopeError) -> str:
    """Return what went wrong and what to do, as the pages print it."""
    fix = getattr(fault, "fix", "")
    return f"{plain(sentence(str(fault)))} {plain(fix)}".rstrip()


def _do(act: Callable[[], object], key: str, drawn: object) -> None:
    """Act, once for each time that the button was drawn: an impatient second press is none."""
    acted = st.session_state.setdefault(_ACTED, {})
    if acted.get(key) is drawn:
        return
    acted[key] = drawn
    st.session_state.pop(_FAULT, None)
    try:
        act()
    except CuproscopeError as fault:
        st.session_state[_FAULT] = (key, words_of(fault))


def _tell(key: str) -> None:
    """Tell once what the last press could not do, if it was this one."""
    told = st.session_state.get(_FAULT)
    if told is not None and told[0] == key:
        st.session_state.pop(_FAULT)
        st.error(told[1], icon=":material/error:")
