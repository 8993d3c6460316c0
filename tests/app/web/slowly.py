"""The pages on a machine that takes its time over each line of a page."""

from __future__ import annotations

import sys
import time

from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from streamlit.runtime.scriptrunner_utils.script_run_context import ScriptRunContext

from app.cli import main

EACH_S = 0.04
"""A page has some 40 to 80 messages."""

_at_once = ScriptRunContext.enqueue


def _slowly(self: ScriptRunContext, msg: ForwardMsg) -> None:
    time.sleep(EACH_S)
    _at_once(self, msg)


if __name__ == "__main__":
    ScriptRunContext.enqueue = _slowly  # type: ignore[method-assign]
    sys.exit(main())
