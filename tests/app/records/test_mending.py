"""What a kill or a lost database leaves: nothing that was told done is gone, nothing is stray."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest

from app.opening import open_records
from app.records import (
    Records,
    RecordsError,
)
from app.records.archive import export_zip, import_zip
from app.records.database import DATABASE_NAME
from app.records.photos import encode_photo
from app.records.rows import known_hashes
from app.records.times import now_utc
from tests.app.records.pieces import new_piece, picture, save_piece, stored_files


@pytest.mark.parametrize("lost", ["damaged", "missing", "an older copy"])
def test_photos_of_a_lost_database_are_never_deleted(folder: Path, lost: str) -> None:
    with open_records(folder) as records:
        early = save_piece(records, new_piece(1)).photos[0].sha256
    copy = (folder / DATABASE_NAME).read_bytes()
    with open_records(folder) as records:
        late = save_piece(records, new_piece(2)).photos[0].sha256
        exported = folder / "all.zip"
        export_zip(records, exported)
    for path in (folder / "photos").rglob("*"):
        os.utime(path, (1, 1))  # long ago
    for path in folder.glob(f"{DATABASE_NAME}*"):
        path.unlink()
    if lost != "missing":
        damaged = b"damaged" * 999
        (folder / DATABASE_NAME).write_bytes(damaged if lost == "damaged" else copy)
    known = {early} if lost == "an older copy" else set()
    with open_records(folder) as records:
        told = " ".join(records.messages)
        assert "belong" in told and str(records.photos.aside) in told
        assert {path.stem for path in records.photos.laid_aside()} == {early, late} - known
        assert stored_files(records) == known
        import_zip(records, exported)
        assert records.photo_bytes(early) and records.photo_bytes(late)
    with open_records(folder) as records:
        assert not records.messages


def test_a_photo_of_somebody_who_is_saving_just_now_is_no_stray(folder: Path) -> None:
    with open_records(folder) as saving, saving.keeping() as keep:
        encoded = encode_photo(picture(5))
        keep(encoded)
        with open_records(folder) as other:
            assert not other.messages
            assert stored_files(other) == {encoded.sha256}


def test_what_could_not_be_saved_leaves_no_photo(
    records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise RecordsError("no")

    monkeypatch.setattr("app.records.store.new_piece_row", fails)
    with pytest.raises(RecordsError, match="no"):
        save_piece(records, new_piece(1))
    assert not stored_files(records)
    with records.reading() as session:
        assert not known_hashes(session)


KILLED = """
import os, sys
from pathlib import Path
from app.opening import open_records
from app.records.photos import PhotoFolder
from tests.app.records.pieces import new_piece, save_piece
records = open_records(Path(sys.argv[1]))
stop, kill = sys.argv[2], lambda *_: os.kill(os.getpid(), 9)
if stop == "before the photo is whole":
    os.fsync = kill
if stop == "before the file goes":
    PhotoFolder.remove = kill
if stop.startswith("at commit"):
    from sqlalchemy import event
    left = [int(stop.split()[-1])]
    def count(_):
        left[0] -= 1
        if not left[0]:
            kill()
    event.listen(records._engine, "commit", count)
if len(sys.argv) > 3:
    if sys.argv[3] == "all":
        records.delete_everything()
    records.delete_piece(sys.argv[3])
else:
    save_piece(records, new_piece(1, name="new"))
"""


def killed(folder: Path, *said: str) -> None:
    done = subprocess.run([sys.executable, "-c", KILLED, str(folder), *said], check=False)
    assert done.returncode == -9


def in_two_hours(monkeypatch: pytest.MonkeyPatch) -> None:
    later = now_utc() + timedelta(hours=2)
    monkeypatch.setattr("app.records.mending.now_utc", lambda: later)


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
@pytest.mark.parametrize("stop", ["before the photo is whole", "at commit 1", "at commit 2"])
def test_killed_while_saving_it_is_as_before(
    folder: Path, stop: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_records(folder) as records:
        old = save_piece(records, new_piece(2))
    killed(folder, stop)
    in_two_hours(monkeypatch)
    for part in folder.rglob(".part-*"):
        os.utime(part, (1, 1))
    with open_records(folder) as records:
        assert not records.messages
        assert [piece.id for piece in records.pieces()] == [old.id]
        assert records.photo_bytes(old.photos[0].sha256)
        assert stored_files(records) == {old.photos[0].sha256}
        with records.reading() as session:
            assert known_hashes(session) == {old.photos[0].sha256}
        assert save_piece(records, new_piece(1)).photos


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
@pytest.mark.parametrize("what", ["one", "all"])
@pytest.mark.parametrize(
    ("stop", "left"), [("at commit 1", 1), ("at commit 2", 0), ("before the file goes", 0)]
)
def test_killed_while_deleting_it_is_as_before_or_after(
    folder: Path, what: str, stop: str, left: int
) -> None:
    """What was deleted is gone for good at the next start, row and file, however fresh."""
    with open_records(folder) as records:
        old = save_piece(records, new_piece(2))
    killed(folder, stop, "all" if what == "all" else old.id)
    with open_records(folder) as records:
        assert not records.messages
        assert records.count() == left
        for piece in records.pieces():
            assert records.photo_bytes(piece.photos[0].sha256)
        with records.reading() as session:
            assert len(known_hashes(session)) == left
        assert len(stored_files(records)) == left
