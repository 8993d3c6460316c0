"""The pages as a person has them: a server of our own and Debian's Chromium."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[3]
DEMO = ROOT / "fixtures" / "demo"
NEED = "CUPROSCOPE_NEED_BROWSER"
"""Set to 1 where a missing browser is a failure and no reason to leave tests out."""

PHONE, LAPTOP = (390, 844), (1440, 900)


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """A running server."""

    url: str
    data: Path
    process: subprocess.Popen[str]
    lines: tuple[str, ...]


def chromium() -> str | None:
    """Return the browser's path, None where there is none."""
    for name in ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable"):
        found = shutil.which(name)
        if found:
            return found
    return None


@contextmanager
def served(
    data: Path, *arguments: str, program: tuple[str, ...] = ("-m", "app")
) -> Iterator[Served]:
    """Run ``cuproscope app`` on a free port, on records of its own."""
    environment = {**os.environ, "CUPROSCOPE_DATA": str(data), "PYTHONIOENCODING": "utf-8"}
    process = subprocess.Popen(
        [sys.executable, *program, "app", "--port", "0", *arguments],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        encoding="utf-8",
    )
    assert process.stdout is not None
    lines: list[str] = []
    try:
        for line in process.stdout:
            lines.append(line)
            if "Ctrl+C stops" in line:  # it is the last thing that is said
                break
        found = re.search(r"https?://[\w.]+:\d+", "".join(lines))
        assert found, f"the server said: {''.join(lines)!r}"
        yield Served(url=found.group(), data=data, process=process, lines=tuple(lines))
    finally:
        process.terminate()
        try:
            process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        process.stdout.close()
