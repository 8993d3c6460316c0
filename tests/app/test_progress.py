"""A bar on the terminal, and none where nobody looks."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest

from app.progress import progress

PHOTOS = tuple(Path(f"{number}.jpg") for number in range(3))


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_without_a_terminal_nothing_is_written(monkeypatch: pytest.MonkeyPatch) -> None:
    out = io.StringIO()
    monkeypatch.setattr(sys, "stderr", out)
    with progress(PHOTOS) as (photos, pause):
        assert tuple(photos) == PHOTOS
        with pause():
            pass
    assert out.getvalue() == ""


def test_one_photo_needs_no_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    with progress(PHOTOS[:1]) as (photos, _):
        assert tuple(photos) == PHOTOS[:1]
    assert terminal.getvalue() == ""


def test_on_a_terminal_every_photo_comes_and_the_bar_makes_room(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    seen = []
    with progress(PHOTOS) as (photos, pause):
        for photo in photos:
            seen.append(photo)
            with pause():
                terminal.write(f"<{photo}>")
    assert tuple(seen) == PHOTOS
    assert "3/3" in terminal.getvalue() or "photo" in terminal.getvalue()
    # What is written in a pause stands at the start of a line that was cleared.
    for photo in PHOTOS:
        before = terminal.getvalue().split(f"<{photo}>")[0]
        assert before.endswith("\r") or before == ""
