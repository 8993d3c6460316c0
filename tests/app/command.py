"""The command, run in this process or one of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from app.cli import main

ROOT = Path(__file__).parents[2]


def write_photo(folder: Path, name: str) -> Path:
    path = folder / name
    pixels = np.full((480, 640, 3), (176, 142, 108), np.uint8)
    Image.fromarray(pixels).save(path, "JPEG", quality=80)
    return path


def run(capsys: pytest.CaptureFixture[str], *argv: object) -> tuple[int, str, str]:
    code = main([str(word) for word in argv])
    out, err = capsys.readouterr()
    return code, out, err


def objects(out: str) -> list[dict[str, Any]]:
    assert out.endswith("\n") or out == ""
    return [json.loads(line, parse_constant=_never) for line in out.splitlines()]


def _never(constant: str) -> None:
    raise AssertionError(f"{constant} is not JSON")


def in_process(*argv: str, **options: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *argv], cwd=ROOT, text=True, capture_output=True, check=False, **options
    )
