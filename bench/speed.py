"""How long does a photo take, and how much memory?

    python -m bench.speed PHOTO --reference KEY [--repeat N]

Makes a 12-megapixel JPEG and HEIC of ``PHOTO``, then measures: decoding alone (OpenCV),
loading, each step of the examination, the whole warm, and the cold command line with its
peak memory. Steps are measured one after the other; in the whole some run at the same time
(``vision/photo/beside.py``), so that it takes less than their sum. Every figure is the median of
``--repeat`` runs on this machine as it is, with the processor time of all threads in
brackets: on a busy machine only that can be compared.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple
from unittest.mock import patch

import app  # noqa: F401 - first, since it says how many threads numpy takes

# isort: split
import cv2
import numpy as np

import vision.photo.beside

LONG_SIDE_PX, SHORT_SIDE_PX = 4000, 3000
STEPS = (
    "detect_scale",
    "surface_map",
    "_regions",
    "widths_of",
    "judge_finish",
    "judge_quality",
)
"""Functions that ``vision.examine`` calls, as named there; one that it lacks is left out."""


class Spent(NamedTuple):
    """Seconds on the clock and seconds of processor time."""

    wall_s: float
    cpu_s: float


def main(argv: Sequence[str] | None = None) -> int:
    """Measure and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photo", type=Path)
    parser.add_argument("--reference", default="auto")
    parser.add_argument("--repeat", type=int, default=5)
    arguments = parser.parse_args(argv)
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, "
        f"OpenCV {cv2.__version__}, numpy {np.__version__}, load average {_load()} before"
    )
    with tempfile.TemporaryDirectory() as folder:
        files = _twelve_megapixels(arguments.photo, Path(folder))
        columns = [_measured(f, arguments.reference, arguments.repeat) for f in files]
    print(f"and {_load()} after; median of {arguments.repeat}, processor time in brackets\n")
    print("| step | JPEG ms | HEIC ms |\n| --- | --- | --- |")
    for name in columns[0]:
        print(f"| {name} | " + " | ".join(column.get(name, "-") for column in columns) + " |")
    return 0


def _load() -> str:
    return f"{os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "unknown"


def _twelve_megapixels(photo: Path, folder: Path) -> tuple[Path, Path]:
    from PIL import Image
    from pillow_heif import register_heif_opener

    register_heif_opener()
    image = Image.open(photo).convert("RGB")
    size = (LONG_SIDE_PX, SHORT_SIDE_PX)
    if image.height > image.width:
        size = size[::-1]
    image = image.resize(size, Image.Resampling.LANCZOS)
    jpeg, heic = folder / "photo.jpg", folder / "photo.heic"
    image.save(jpeg, quality=92)
    image.save(heic, quality=80)
    return jpeg, heic


def _measured(file: Path, reference: str, repeat: int) -> dict[str, str]:
    from rules.engine import grade
    from rules.sheet import load_sheet
    from vision import examine as steps
    from vision.flash.pairs import examine_pair
    from vision.photo.loading import load_photo_file

    table: dict[str, str] = {}
    data = np.frombuffer(file.read_bytes(), np.uint8)
    if file.suffix == ".jpg":
        decoding = _runs(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR), repeat)
        table["decode alone (OpenCV)"] = _ms(decoding)
    table["load"] = _ms(_runs(lambda: load_photo_file(file), repeat))
    sheet = load_sheet("house")

    def pair() -> None:
        for piece in examine_pair(
            load_photo_file(file),
            replace(load_photo_file(file), flash_fired=True),
            reference=reference,
        ).pieces:
            grade(piece.findings, sheet)

    def whole() -> int:
        seen = steps.examine(load_photo_file(file), reference=reference)
        for piece in seen.pieces:
            grade(piece.findings, sheet)
        return len(seen.pieces)

    pieces = whole()  # warm: model session, tables
    warm = _runs(whole, repeat)
    for name, runs in _steps_in_turn(steps, whole, repeat).items():
        table[f"examine: {name.strip('_')}"] = _ms(runs)
    table["whole, warm"] = _ms(warm)
    table["a pair, warm"] = _ms(_runs(pair, repeat))
    table["pieces"] = str(pieces)
    cold, memory = _cold(file, reference, repeat)
    table["whole, cold command line"] = cold
    table["peak memory MB"] = memory
    return table


def _runs(call: Callable[[], Any], repeat: int) -> list[Spent]:
    runs = []
    for _ in range(repeat):
        wall, cpu = time.perf_counter(), time.process_time()
        call()
        runs.append(Spent(time.perf_counter() - wall, time.process_time() - cpu))
    return runs


def _ms(runs: Sequence[Spent]) -> str:
    if not runs:
        return "-"
    wall, cpu = (1000 * statistics.median(times) for times in zip(*runs, strict=True))
    return f"{wall:.0f} ({cpu:.0f})"


def _steps_in_turn(module: Any, whole: Callable[[], object], repeat: int) -> dict[str, list[Spent]]:
    """Return what each step took in each run, all calls of a run together."""
    names = [name for name in STEPS if hasattr(module, name)]
    with ExitStack() as undo:
        undo.enter_context(patch.object(vision.photo.beside, "has_second_core", lambda: False))
        spent = {name: undo.enter_context(_timed(module, name)) for name in names}
        for _ in range(repeat):
            whole()
            for times in spent.values():  # a step that runs once a piece counts as a whole
                times.append(Spent(0.0, 0.0))
    return {name: _by_run(times) for name, times in spent.items()}


def _by_run(times: Sequence[Spent]) -> list[Spent]:
    """Sums of the calls of each run; a run ends with a pair of zeros."""
    runs, wall, cpu = [], 0.0, 0.0
    for one in times:
        wall, cpu = wall + one.wall_s, cpu + one.cpu_s
        if one == (0.0, 0.0):
            runs.append(Spent(wall, cpu))
            wall, cpu = 0.0, 0.0
    return runs


@contextmanager
def _timed(module: Any, name: str) -> Iterator[list[Spent]]:
    """Give the times of each call of one of a module's functions, while it lasts."""
    step, spent = getattr(module, name), list[Spent]()

    def timed(*args: object, **kwargs: object) -> object:
        wall, cpu = time.perf_counter(), time.process_time()
        try:
            return step(*args, **kwargs)
        finally:
            spent.append(Spent(time.perf_counter() - wall, time.process_time() - cpu))

    with patch.object(module, name, timed):
        yield spent


_TELL_PEAK = (
    "import resource, subprocess, sys; "
    "subprocess.run(sys.argv[1:], capture_output=True); "
    "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
)
"""Run between us and the command: a process counts its parent's memory as its own peak until
it starts its program, and ours is larger than what is measured."""


def _cold(file: Path, reference: str, repeat: int) -> tuple[str, str]:
    """Time and peak memory of whole processes, compiled once before as an installation is."""
    command = [sys.executable, "-m", "app", "grade", str(file), "--reference", reference, "--json"]
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    first = subprocess.run(
        [sys.executable, "-S", "-c", _TELL_PEAK, *command],
        check=True,
        capture_output=True,
        env=environment,
    )
    runs = []
    for _ in range(repeat):
        before, start = _children_cpu_s(), time.perf_counter()
        subprocess.run(command, check=False, capture_output=True, env=environment)
        runs.append(Spent(time.perf_counter() - start, _children_cpu_s() - before))
    return _ms(runs), f"{int(first.stdout) / 1024:.0f}"


def _children_cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


if __name__ == "__main__":
    raise SystemExit(main())
