"""A part of the program is missing: no photo is judged, the file is named, what to do is said.

Seen as a person would: the shipped files are copied, one is taken away, and the command
line and the page are asked.
"""

from __future__ import annotations

import shutil
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from app.cli import main
from app.exit_codes import EXIT_BROKEN
from models import loader

PHOTO = Path(__file__).parents[2] / "fixtures" / "demo" / "busbar.jpg"


@pytest.fixture
def shipped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A copy of the trained files that the program takes for those that ship."""
    own = tmp_path / "models"
    own.mkdir()
    source = Path(str(loader.SHIPPED))
    for path in [*source.glob("*.toml"), *source.glob("*.onnx")]:
        shutil.copy(path, own)
    monkeypatch.setattr(loader, "SHIPPED", own)
    loader.check.cache_clear()
    yield own
    loader.check.cache_clear()


@pytest.mark.parametrize("name", ["surface.onnx", "surface.toml", "form_odds.toml"])
@pytest.mark.parametrize("way", [[], ["--json"], ["--jobs", "1", "--out"]])
def test_the_command_line_names_the_file_and_grades_nothing(
    shipped: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, way: list[str]
) -> None:
    (shipped / name).unlink()
    if way and way[-1] == "--out":
        way = [*way, str(tmp_path / "out")]
    code = main(["grade", str(PHOTO), *way])
    out, err = capsys.readouterr()
    assert code == EXIT_BROKEN
    assert out == ""
    assert f"models/{name}" in err
    assert "Install Cuproscope again." in err
    assert len(err.strip().splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_a_damaged_file_is_as_bad_as_none(
    shipped: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    content = bytearray((shipped / "surface.onnx").read_bytes())
    content[len(content) // 2] ^= 1
    (shipped / "surface.onnx").write_bytes(bytes(content))
    assert main(["grade", str(PHOTO)]) == EXIT_BROKEN
    assert "models/surface.onnx" in capsys.readouterr().err


def test_findings_typed_by_hand_need_no_network(
    shipped: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (shipped / "surface.onnx").unlink()
    typed = tmp_path / "piece.toml"
    typed.write_text(
        'schema = "cuproscope.findings/1"\n[[piece]]\nform = "tube"\n', encoding="utf-8"
    )
    assert main(["grade", "--findings", str(typed)]) == 0
    assert "models/" not in capsys.readouterr().err


def test_the_page_says_so_instead_of_asking_for_a_photo(
    shipped: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CUPROSCOPE_DATA", str(tmp_path / "data"))
    (shipped / "surface.onnx").unlink()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the harness, as in test_pages.py
        page = AppTest.from_function(_grade_page, default_timeout=60).run()
    assert not page.exception
    (told,) = page.error
    assert "surface.onnx" in told.value
    assert "Install Cuproscope again." in told.value
    assert not page.get("file_uploader")


def _grade_page() -> None:
    from app.web.grade.page import show

    show()
