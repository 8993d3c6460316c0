"""Let what a press does run to its end, with what was typed, whatever is pressed next.

Streamlit (1.67) loses a press to a newer one in three ways. With its fast reruns a run that has
not begun is dropped (off in ``settings``). At each look at the session's state it breaks a run
off where something newer waits: between taking a press in and acting on it, and in the middle
of acting. And a press that waits is joined with the newer request, which on its way to another
page knows nothing of the inputs that the press is about. Its settings and public calls change
nothing of the last two, so that the two functions that do it are wrapped here. Newer requests
are looked at as soon as the press has acted, before anything is drawn.
"""

from __future__ import annotations

from typing import Any

from streamlit.proto.WidgetStates_pb2 import WidgetStates
from streamlit.runtime.scriptrunner_utils import script_requests
from streamlit.runtime.state.safe_session_state import SafeSessionState

_acted = SafeSessionState.on_script_will_rerun
_joined = script_requests._coalesce_widget_states


def keep_presses_whole() -> None:
    """See to it, for all sessions of this process."""
    SafeSessionState.on_script_will_rerun = _act_whole  # type: ignore[method-assign]
    script_requests._coalesce_widget_states = _join_whole


def _act_whole(self: SafeSessionState, *args: Any, **more: Any) -> None:  # noqa: ANN401 (theirs)
    asks = self._yield_callback
    object.__setattr__(self, "_yield_callback", _ask_nothing)  # its own setter keeps keys
    try:
        _acted(self, *args, **more)
    finally:
        object.__setattr__(self, "_yield_callback", asks)


def _ask_nothing() -> None:
    pass


def _join_whole(
    old_states: WidgetStates | None, new_states: WidgetStates | None
) -> WidgetStates | None:
    joined = _joined(old_states, new_states)
    if joined is None or old_states is None:
        return joined
    known = {widget.id for widget in joined.widgets}
    left = [widget for widget in old_states.widgets if widget.id not in known]
    return WidgetStates(widgets=[*joined.widgets, *left])
