"""``cuproscope sheet``: the reference sheet, written whole or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.app.command import run


def test_the_reference_sheet_is_written_whole(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for paper in ("a4", "letter"):
        path = tmp_path / f"{paper}.pdf"
        code, out, _ = run(capsys, "sheet", path, "--paper", paper)
        assert code == 0
        assert "100 %" in out
        assert path.read_bytes().startswith(b"%PDF")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a4.pdf", "letter.pdf"]


def test_a_sheet_that_can_not_be_written_is_wrong_usage(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("in the way")
    code, _, err = run(capsys, "sheet", tmp_path / "file" / "s.pdf")
    assert code == 2
    assert "can't be written" in err
