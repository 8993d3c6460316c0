"""Load what the first photo would wait for, while the person still looks for one."""

from __future__ import annotations

import gc
import logging
import threading

log = logging.getLogger(__name__)


def warm_up() -> threading.Thread:
    """Begin to load the eye and the sheets beside the server, and return the thread."""
    # No daemon: an interpreter that ends under a network that still loads aborts or stands still.
    thread = threading.Thread(target=_load, name="warm-up")
    thread.start()
    return thread


def _load() -> None:
    try:
        import numpy as np

        from app.request import Request
        from app.web.desk.again import Taps, examined
        from app.web.desk.stated import shipped_sheet
        from vision.types import Photo

        # An empty table: every step loads its tables and networks, and finds nothing.
        table = np.full((600, 800, 3), 200, np.uint8)
        photo = Photo(name="warm-up", sha256="0" * 64, rgb=table)
        examined(photo, Request(sheet=shipped_sheet("house")), Taps())
    except Exception:  # the first photo will tell what is wrong, in words
        log.debug("warm-up", exc_info=True)
    # Streamlit collects garbage after each look at a page, and answers nobody meanwhile. What
    # was loaded stays loaded: without it that takes a few milliseconds instead of a tenth.
    gc.collect()
    gc.freeze()
