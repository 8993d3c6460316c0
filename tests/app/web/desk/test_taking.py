"""A photo that is handed in is kept, or the page tells why not and what to do."""

from __future__ import annotations

from pathlib import Path

import pytest

from app.web.desk import taking
from app.web.desk.state import Visit
from vision.photo.loading import MAX_BYTES


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(taking, "inbox_folder", lambda: tmp_path)
    return tmp_path


def test_what_is_kept_lies_in_the_inbox_under_its_hash(folder: Path) -> None:
    here = Visit()
    kept = taking.take_file(here, b"a photo", "a.jpg")
    assert kept is not None and kept.name == "a.jpg"
    assert (folder / kept.sha256).read_bytes() == b"a photo"
    assert here.faults == []


def test_one_that_is_too_large_is_told_with_what_to_do(folder: Path) -> None:
    here = Visit()
    assert taking.take_file(here, bytes(MAX_BYTES + 1), "big*.jpg") is None
    (told,) = here.faults
    assert told.startswith("big\\*.jpg: ") and told.count(". ") >= 1
    assert not list(folder.iterdir())


def test_a_full_disk_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError("no space left")

    here = Visit()
    monkeypatch.setattr("app.web.desk.inbox.write_bytes_whole", full)
    assert taking.take_file(here, b"a photo", "a.jpg") is None
    assert here.faults == ["a.jpg could not be kept: is the disk full?"]


def test_an_uploader_without_a_photo_gives_none() -> None:
    here = Visit()
    assert taking.take_upload(here, "no such uploader") is None
    assert (here.rounds, here.faults) == (0, [])
