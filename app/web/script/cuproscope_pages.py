"""What the server runs for each look at a page: the frame, and the page asked for."""

from __future__ import annotations

from app.web.frame import run

run()
