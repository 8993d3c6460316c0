"""Files are whole or not there, and names can't be misused."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from app.files import harmless, safe_stem, write_whole


def test_a_file_is_written_with_its_folders(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "er" / "out.txt"
    write_whole(path, lambda part: _written(part, "all of it"))
    assert path.read_text() == "all of it"
    assert [p.name for p in path.parent.iterdir()] == ["out.txt"]


@pytest.mark.parametrize("fault", [OSError, ValueError, KeyboardInterrupt])
def test_what_goes_wrong_half_way_leaves_what_was_there(
    fault: type[BaseException], tmp_path: Path
) -> None:
    path = tmp_path / "out.txt"
    path.write_text("before")

    def fail(part: Path) -> None:
        part.write_text("half")
        raise fault

    with pytest.raises(fault):
        write_whole(path, fail)
    assert path.read_text() == "before"
    assert [p.name for p in tmp_path.iterdir()] == ["out.txt"]


@pytest.mark.skipif(os.name != "posix", reason="file modes are POSIX")
def test_others_may_read_what_the_umask_allows(tmp_path: Path) -> None:
    before = os.umask(0o022)
    try:
        write_whole(tmp_path / "a", lambda part: _written(part, "x"))
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == 0o644


@pytest.mark.parametrize(
    ("name", "stem"),
    [
        ("pipe.jpg", "pipe"),
        ("../../etc/passwd", "passwd"),
        ("a/b\\c:d*.png", "b_c_d_"),
        ("...", "photo"),
        ("", "photo"),
        ("été 1.heic", "été 1"),
        ("\x1b[31mred.jpg", "__31mred"),
        ("x" * 300 + ".jpg", "x" * 80),
    ],
)
def test_a_name_from_outside_becomes_a_plain_one(name: str, stem: str) -> None:
    assert safe_stem(name, taken=set()) == stem


def test_a_name_that_is_taken_gets_a_number() -> None:
    assert safe_stem("a.jpg", taken={"a"}) == "a-2"
    assert safe_stem("A.jpg", taken={"a", "a-2"}) == "A-3"


@pytest.mark.parametrize(
    "text",
    # The triggers that OWASP's page on CSV injection lists, each also behind what is not seen.
    [
        before + sign + "1+1"
        for sign in "=+-@＝＋－＠|%"
        for before in ("", " ", "  \n", "\t", "\r", "\u3000", "\ufeff", "\u200b ")
    ]
    + ["\tplain", "\rplain", "\nplain"],
)
def test_no_cell_is_a_formula(text: str) -> None:
    assert harmless(text) == "'" + text


@pytest.mark.parametrize("text", ["", "plain", "a=1", "12.5", "two\nlines", "Ä -1", "'=1"])
def test_plain_cells_stay_as_they_are(text: str) -> None:
    assert harmless(text) == text


def _written(part: Path, text: str) -> None:
    part.write_text(text)
