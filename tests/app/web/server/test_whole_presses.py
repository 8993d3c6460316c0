"""A press that was taken in is acted on, with what was typed, whatever comes in meanwhile.

The first assertion of each test tells when a wrapper has become needless: then it goes.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from typing import Any

import pytest
from streamlit.proto.WidgetStates_pb2 import WidgetState, WidgetStates
from streamlit.runtime.scriptrunner import RerunData, RerunException
from streamlit.runtime.scriptrunner_utils import script_requests
from streamlit.runtime.scriptrunner_utils.script_requests import ScriptRequests
from streamlit.runtime.state import SafeSessionState, SessionState

from app.web.server import whole_presses


@pytest.fixture(autouse=True)
def as_it_comes(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(SafeSessionState, "on_script_will_rerun", whole_presses._acted)
    monkeypatch.setattr(script_requests, "_coalesce_widget_states", whole_presses._joined)
    yield


class _Pressed(SessionState):
    """The state of a visit in which one button was pressed."""

    def __init__(self) -> None:
        super().__init__()
        self.done: list[str] = []
        self.asked: SafeSessionState

    def on_script_will_rerun(self, *_: Any, **__: Any) -> None:
        self.done.append("begun")
        self.asked["kept"] = True
        self.done.append("ended")


def press(*, newer_from: int) -> list[str]:
    """Press, with something newer that came in before the so-manieth look at the state."""
    looks = 0

    def look() -> None:
        nonlocal looks
        looks += 1
        if looks >= newer_from:
            raise RerunException(RerunData())

    pressed = _Pressed()
    pressed.asked = SafeSessionState(pressed, look)
    with suppress(RerunException):
        pressed.asked.on_script_will_rerun(None)
    if looks == 0:  # the newer one is found as soon as the press has acted
        with pytest.raises(RerunException):
            for _ in range(newer_from):
                pressed.asked["kept"]
    return pressed.done


@pytest.mark.parametrize(("newer_from", "without"), [(1, []), (2, ["begun"])])
def test_a_press_is_whole_before_what_is_newer_is_looked_at(
    newer_from: int, without: list[str]
) -> None:
    assert press(newer_from=newer_from) == without
    whole_presses.keep_presses_whole()
    assert press(newer_from=newer_from) == ["begun", "ended"]


def asked_for() -> dict[str, Any]:
    """Press on one page, then go to another before anybody answers."""
    typed = WidgetState(id="name", string_value="tube from the cellar")
    pressed = WidgetState(id="save", trigger_value=True)
    other = WidgetState(id="find", string_value="")
    requests = ScriptRequests()
    here = WidgetStates(widgets=[typed, pressed])
    requests.request_rerun(RerunData(widget_states=here, page_script_hash="here"))
    there = WidgetStates(widgets=[other])
    requests.request_rerun(RerunData(widget_states=there, page_script_hash="there"))
    asked = requests.on_scriptrunner_ready().rerun_data
    assert asked.page_script_hash == "there"
    assert asked.widget_states is not None
    return {w.id: getattr(w, str(w.WhichOneof("value"))) for w in asked.widget_states.widgets}


def test_a_press_that_waits_keeps_what_was_typed() -> None:
    assert asked_for() == {"find": "", "save": True}
    whole_presses.keep_presses_whole()
    assert asked_for() == {"find": "", "save": True, "name": "tube from the cellar"}
