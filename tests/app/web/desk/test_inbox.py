"""Photos waiting to be graded: named by hash, capped, dropped in time."""

from __future__ import annotations

import os
import sys
import time
from hashlib import sha256
from pathlib import Path

import pytest

from app.web.desk import inbox
from app.web.desk.inbox import KEPT_S, empty, keep, path_of, tidy, tidy_on_time
from rules.errors import PhotoError
from tests.app.web.desk.test_without_notes import SECRET
from tests.app.web.desk.test_without_notes import photo as camera_photo


def test_a_photo_lies_under_its_hash_whatever_it_is_called(tmp_path: Path) -> None:
    kept = keep(b"photo", name="../../etc/passwd", folder=tmp_path / "in")
    assert kept.sha256 == sha256(b"photo").hexdigest()
    assert [path.name for path in (tmp_path / "in").iterdir()] == [kept.sha256]
    assert path_of(kept, folder=tmp_path / "in").read_bytes() == b"photo"


def test_the_same_photo_is_kept_once(tmp_path: Path) -> None:
    first, second = (keep(b"photo", name="a.jpg", folder=tmp_path) for _ in range(2))
    assert first == second
    assert len(list(tmp_path.iterdir())) == 1


def test_what_is_too_large_is_refused_with_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(inbox, "MAX_BYTES", 10)
    with pytest.raises(PhotoError) as fault:
        keep(b"x" * 11, name="a.jpg", folder=tmp_path)
    assert fault.value.code == "too_large"
    assert not list(tmp_path.iterdir())


def test_a_photo_that_is_gone_is_told(tmp_path: Path) -> None:
    kept = keep(b"photo", name="a.jpg", folder=tmp_path)
    (tmp_path / kept.sha256).unlink()
    with pytest.raises(PhotoError, match="no longer kept"):
        path_of(kept, folder=tmp_path)


def test_old_photos_go_and_new_ones_stay(tmp_path: Path) -> None:
    old, new = (keep(data, name="a", folder=tmp_path) for data in (b"old", b"new"))
    now = (tmp_path / new.sha256).stat().st_mtime
    os.utime(tmp_path / old.sha256, (now - KEPT_S - 5, now - KEPT_S - 5))
    tidy(tmp_path, now=now)
    assert [path.name for path in tmp_path.iterdir()] == [new.sha256]


def test_beyond_the_size_kept_the_oldest_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = [keep(bytes([i]) * 10, name="a", folder=tmp_path) for i in range(4)]
    for age, one in enumerate(reversed(kept)):
        os.utime(tmp_path / one.sha256, (1000 - age, 1000 - age))
    monkeypatch.setattr(inbox, "KEPT_BYTES", 25)
    tidy(tmp_path, now=1000)
    assert {path.name for path in tmp_path.iterdir()} == {one.sha256 for one in kept[-2:]}
    tidy(tmp_path / "none")  # a folder that is not there yet is no fault


def test_no_place_lies_in_the_inbox(tmp_path: Path) -> None:
    whole = camera_photo("JPEG")
    kept = keep(whole, name="a.jpg", folder=tmp_path)
    lies = path_of(kept, folder=tmp_path)
    assert SECRET in whole and SECRET not in lies.read_bytes()
    if sys.platform != "win32":
        assert lies.stat().st_mode & 0o077 == 0


def test_it_is_emptied_of_everything(tmp_path: Path) -> None:
    for number in range(3):
        keep(b"photo %d" % number, name="a", folder=tmp_path)
    (tmp_path / ".cuproscope-half").write_bytes(b"what a kill left behind")
    empty(tmp_path)
    assert not list(tmp_path.iterdir())
    empty(tmp_path / "none")


def test_it_is_tidied_on_time_though_nobody_hands_anything_in(tmp_path: Path) -> None:
    kept = keep(b"photo", name="a", folder=tmp_path)
    path = path_of(kept, folder=tmp_path)
    os.utime(path, (1000, 1000))
    is_over = tidy_on_time(tmp_path, every_s=0.01)
    for _ in range(1000):
        if not path.exists():
            break
        time.sleep(0.01)
    is_over.set()
    assert not path.exists()
