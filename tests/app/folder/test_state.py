"""A folder's state, cut off at every byte that a kill may leave."""

from __future__ import annotations

from pathlib import Path

import pytest

from app.exit_codes import PhotoOutcome
from app.folder.photo import Graded
from app.folder.state import STATE_NAME, State
from rules.errors import CuproscopeError

PHOTOS = [
    Graded(sha256=f"{number:064x}", name=f"ä{number}.jpg", outcome=0, line='{"a": 1}')
    for number in range(3)
]


def kept(out: Path, run: str = "r") -> list[str]:
    with State(out, run=run) as state:
        return [photo.name for photo in PHOTOS if state.kept(photo.sha256) is not None]


def fill(out: Path) -> bytes:
    with State(out, run="r") as state:
        for photo in PHOTOS:
            state.keep(photo, f"{photo.name}.jpg")
    return (out / STATE_NAME).read_bytes()


def test_whatever_a_kill_cuts_off_costs_that_photo_alone(tmp_path: Path) -> None:
    whole = fill(tmp_path)
    ends = [at + 1 for at, byte in enumerate(whole) if byte == ord("\n")]
    for cut in range(len(whole) + 1):
        (tmp_path / STATE_NAME).write_bytes(whole[:cut])
        finished = sum(end <= cut for end in ends[1:])  # the first line is the head
        assert len(kept(tmp_path)) == finished
        # The rest of the line went with it: the file goes on as if never cut.
        assert (tmp_path / STATE_NAME).read_bytes() == (
            whole[: ends[finished]] if cut >= ends[0] else whole[: ends[0]]
        )


def test_what_was_asked_differently_is_not_finished(tmp_path: Path) -> None:
    fill(tmp_path)
    assert kept(tmp_path) == [photo.name for photo in PHOTOS]
    assert kept(tmp_path, run="other") == []


def test_an_answer_comes_back_as_it_was_with_its_overlay(tmp_path: Path) -> None:
    one = Graded(sha256="a" * 64, name="a.jpg", outcome=4, line="{}", overlay=b"\xff\xd8picture")
    with State(tmp_path, run="r") as state:
        told = state.keep(one, "a-overlay.jpg")
    assert told.overlay is None
    assert (tmp_path / "a-overlay.jpg").read_bytes() == one.overlay
    with State(tmp_path, run="r") as state:
        assert state.kept(one.sha256) == told
    (tmp_path / "a-overlay.jpg").unlink()
    with State(tmp_path, run="r") as state:
        assert state.kept(one.sha256) is None  # drawn again


def test_what_could_not_be_read_is_tried_again(tmp_path: Path) -> None:
    unread = Graded(sha256="b" * 64, name="b", outcome=PhotoOutcome.UNREADABLE, line="{}")
    with State(tmp_path, run="r") as state:
        state.keep(unread, "b.jpg")
        assert state.kept("b" * 64) is None


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (b"not json\n", "line 1"),
        (b'{"schema": "cuproscope.folder/9"}\n', "another version"),
        (b'{"schema": "cuproscope.folder/1"}\n{"run": "r"}\n', "line 2"),
        (b'{"schema": "cuproscope.folder/1"}\n[]\n', "line 2"),
    ],
)
def test_a_damaged_state_is_told_by_its_line(tmp_path: Path, text: bytes, told: str) -> None:
    (tmp_path / STATE_NAME).write_bytes(text)
    with pytest.raises(CuproscopeError, match=told):
        kept(tmp_path)
    assert (tmp_path / STATE_NAME).read_bytes() == text  # left for the person to look at
