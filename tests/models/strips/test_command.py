"""The command that trains the strip network's parts says at once what it can't go on from."""

from __future__ import annotations

from pathlib import Path

import pytest

from models.recipe.strips.__main__ import main


def test_looks_go_on_from_weights_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    with pytest.raises(SystemExit):
        main(["--photos", "none", "--out", str(out), "--start-looks", "models/strip.onnx"])
    assert "looks.pt" in capsys.readouterr().err
    assert not out.exists()
