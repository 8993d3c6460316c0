"""Words that are no UTF-8, and disks that are full: a line that says so, and nothing lost."""

from __future__ import annotations

import errno
import json
import os
import sys
from pathlib import Path

import pytest

from app.cli import main

ROOT = Path(__file__).parents[2]
DEMO = sorted((ROOT / "fixtures" / "demo").glob("*.jpg"))
BROKEN = os.fsdecode(b"tube\xff")  # a lone surrogate, as the system hands it in (PEP 383)

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="names are UTF-16 there")


@pytest.mark.parametrize(
    "words",
    [
        ["grade", f"{BROKEN}.jpg"],
        ["grade", "--form", BROKEN, str(DEMO[0])],
        ["grade", "--fact", f"magnet={BROKEN}", str(DEMO[0])],
        ["load", "buyer", BROKEN, "--currency", "USD"],
    ],
)
def test_words_that_are_no_utf_8_are_told_in_a_line(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(words)
    assert stopped.value.code == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "has letters that are no UTF-8" in err
    assert "Traceback" not in err


def test_a_photo_of_such_a_name_is_graded_into_every_table(tmp_path: Path) -> None:
    photo = tmp_path / f"{BROKEN}.jpg"
    photo.write_bytes(DEMO[0].read_bytes())
    assert main(["grade", "--jobs", "1", "--out", str(tmp_path / "out"), str(photo)]) in (0, 4)
    line = (tmp_path / "out" / "results.jsonl").read_text(encoding="utf-8")
    assert json.loads(line)["photo"]["name"] == "tube?.jpg"
    assert (tmp_path / "out" / "pieces.parquet").is_file()


def full(*_: object, **__: object) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_full_disk_costs_the_overlay_and_not_the_answers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("app.overlays.write_whole", full)
    photos = [str(path) for path in DEMO[:2]]
    assert main(["grade", "--json", "--overlay", str(tmp_path / "o"), *photos]) == 1
    out, err = capsys.readouterr()
    assert [json.loads(x)["photo"]["name"] for x in out.splitlines()] == [p.name for p in DEMO[:2]]
    assert err.count(os.strerror(errno.ENOSPC)) == 2


def test_a_folder_that_can_not_be_written_to_stops_before_the_first_photo(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("no folder", encoding="utf-8")
    assert main(["grade", "--overlay", str(tmp_path / "file"), str(DEMO[0])]) == 2
    assert capsys.readouterr().out == ""


def test_a_disk_that_fills_up_keeps_the_photos_that_were_finished(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out, photos = tmp_path / "out", [str(path) for path in DEMO[:2]]
    with monkeypatch.context() as patched:
        patched.setattr("app.folder.run.write_results", full)
        assert main(["grade", "--out", str(out), *photos]) == 1
    assert "2 of 2 photos are finished and kept" in capsys.readouterr().err
    assert main(["grade", "--out", str(out), *photos]) in (0, 4)
    assert "2 finished before" in capsys.readouterr().out
