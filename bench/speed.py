"""How long does a photo take, and how much memory?

    python -m bench.speed PHOTO --reference KEY [--repeat N]

Makes a 12-megapixel JPEG and HEIC of ``PHOTO``, then measures: decoding alone (OpenCV),
loading, each step of the examination, the whole warm, and the cold command line with its
peak memory. Every figure is the median of ``--repeat`` runs, on this machine as it is.
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
from collections import defaultdict
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

LONG_SIDE_PX, SHORT_SIDE_PX = 4000, 3000
STEPS = (
    "detect_scale",
    "estimate_white",
    "_regions",
    "_detail",
    "_widths",
    "judge_finish",
    "judge_quality",
)


def main(argv: Sequence[str] | None = None) -> int:
    """Measure and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photo", type=Path)
    parser.add_argument("--reference", default="auto")
    parser.add_argument("--repeat", type=int, default=5)
    arguments = parser.parse_args(argv)
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, "
        f"OpenCV {cv2.__version__}, numpy {np.__version__}"
    )
    print("| step | JPEG ms | HEIC ms |\n| --- | --- | --- |")
    with tempfile.TemporaryDirectory() as folder:
        files = _twelve_megapixels(arguments.photo, Path(folder))
        columns = [_measured(f, arguments.reference, arguments.repeat) for f in files]
    for name in columns[0]:
        print(f"| {name} | " + " | ".join(column.get(name, "-") for column in columns) + " |")
    return 0


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
    from vision.photo import load_photo_file

    table: dict[str, str] = {}
    data = np.frombuffer(file.read_bytes(), np.uint8)
    if file.suffix == ".jpg":
        table["decode alone (OpenCV)"] = _ms(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR), repeat)
    table["load"] = _ms(lambda: load_photo_file(file), repeat)
    photo = load_photo_file(file)
    spent = _timed_steps(steps)
    sheet = load_sheet("house")
    steps.examine(photo, reference=reference)  # warm: model session, tables
    spent.clear()
    whole = []
    for _ in range(repeat):
        start = time.perf_counter()
        seen = steps.examine(load_photo_file(file), reference=reference)
        for piece in seen.pieces:
            grade(piece.findings, sheet)
        whole.append(time.perf_counter() - start)
    for name in STEPS:
        table[f"examine: {name.strip('_')}"] = f"{1000 * sum(spent[name]) / repeat:.0f}"
    table["whole, warm"] = f"{1000 * statistics.median(whole):.0f}"
    table["pieces"] = str(len(seen.pieces))
    cold, memory = _cold(file, reference, repeat)
    table["whole, cold command line"] = cold
    table["peak memory MB"] = memory
    return table


def _ms(call: Callable[[], Any], repeat: int) -> str:
    times = []
    for _ in range(repeat):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return f"{1000 * statistics.median(times):.0f}"


def _timed_steps(module: Any) -> defaultdict[str, list[float]]:
    """Wrap the steps that the examination calls, so that each adds up its own time."""
    spent: defaultdict[str, list[float]] = defaultdict(list)

    def wrap(name: str, step: Callable[..., Any]) -> Callable[..., Any]:
        def timed(*args: object, **kwargs: object) -> object:
            start = time.perf_counter()
            try:
                return step(*args, **kwargs)
            finally:
                spent[name].append(time.perf_counter() - start)

        return timed

    for name in STEPS:
        step = getattr(module, name)
        setattr(module, name, wrap(name, getattr(step, "__wrapped__", step)))
    return spent


def _cold(file: Path, reference: str, repeat: int) -> tuple[str, str]:
    command = [sys.executable, "-m", "app", "grade", str(file), "--reference", reference, "--json"]
    times = []
    for _ in range(repeat):
        start = time.perf_counter()
        subprocess.run(command, check=False, capture_output=True)
        times.append(time.perf_counter() - start)
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    return f"{1000 * statistics.median(times):.0f}", f"{peak:.0f}"


if __name__ == "__main__":
    raise SystemExit(main())
