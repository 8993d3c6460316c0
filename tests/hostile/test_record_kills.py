"""Kills while the records work: what was told done is there, and nothing else is left.

30 kills here, 150 by ``make hostile``, each at another step: a statement, a commit, a file that
is opened, moved or removed. Seen to fail first: a kill while deleting left a row or a file for
good, and an old database's photos were swept.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
from datetime import timedelta
from multiprocessing import get_context
from multiprocessing.context import ForkServerContext
from pathlib import Path

import pytest

from app.load.bins import number_of
from app.load.store import LoadStore
from app.opening import open_records
from app.records.rows import known_hashes
from app.records.times import now_utc
from tests.hostile import killed

KILLS = 30 * int(os.environ.get("CUPROSCOPE_HOSTILE", "1"))

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("empty") / "data"
    open_records(folder).close()
    return folder


@pytest.fixture(scope="module")
def nursery() -> ForkServerContext:
    """Starts processes that have loaded already what they work with."""
    context = get_context("forkserver")
    context.set_forkserver_preload(["__main__", killed.__name__])
    return context


@pytest.mark.parametrize("number", range(KILLS))
def test_what_was_told_done_is_there_and_nothing_else(
    number: int,
    empty: Path,
    nursery: ForkServerContext,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    folder = Path(shutil.copytree(empty, tmp_path / "data"))
    steps = 5 + (number * 37) % 400
    told = tmp_path / "told"
    done = nursery.Process(target=killed.main, args=(folder, number, steps, told))
    done.start()
    done.join()
    assert done.exitcode == -signal.SIGKILL
    there: set[str] = set()
    exported: set[str] = set()
    given, given_out, begun, at_hand = 0, 0, "", ""
    for line in told.read_text(encoding="utf-8").splitlines():
        act, *words = line.split()
        match act:
            case "begin":
                begun, at_hand = words[0], words[-1]
                continue
            case "saved":
                there.add(words[0])
            case "deleted":
                there.discard(words[0])
            case "given":
                given = int(words[0])
            case "exported":
                exported, given_out = set(there), given
            case "imported":
                there |= exported
                given = max(given, given_out)
            case "emptied":
                there, given = set(), 0
        begun = ""
    after = {"delete": there - {at_hand}, "in": there | exported, "all": set()}.get(begun, there)

    later = now_utc() + timedelta(hours=2)
    monkeypatch.setattr("app.records.mending.now_utc", lambda: later)
    with open_records(folder) as records:
        assert not records.messages
        found = {piece.id for piece in records.pieces()}
        # The step that was killed may have been done, but for the telling.
        new = found - there if begun == "save" else set()
        assert found - new in (there, after) and len(new) <= 1
        photos = {photo.sha256 for piece in records.pieces() for photo in piece.photos}
        for sha256 in photos:
            assert records.photo_bytes(sha256)
        with records.reading() as session:
            assert known_hashes(session) == photos
        stored = {path.stem for path in records.photos.folder.rglob("*.jpg")}
        assert stored == photos
        load = LoadStore(records).load("van")
        assert load.given >= max([0, *(number_of(piece.id) for piece in load.pieces)])
        assert load.given >= given or begun == "all"
