"""The load commands, run as a person types them."""

from __future__ import annotations

from pathlib import Path

import pytest

from app.cli import main
from tests.app.load.cli.asking import Run


@pytest.fixture
def run(folder: Path, capsys: pytest.CaptureFixture[str]) -> Run:
    def call(*words: object) -> tuple[int, str, str]:
        told = [str(word) for word in words]
        code = main(["load", *told, "--data", str(folder), "--day", "2026-03-20"])
        out, err = capsys.readouterr()
        return code, out, err

    return call
