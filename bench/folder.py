"""How much faster do several processes grade a folder?

    python -m bench.folder FOLDER [--photos N] [--jobs 2] [--repeat 3]

Copies N photos of ``FOLDER`` (each made different, so that none is skipped) and grades them
with one process and with ``--jobs``, each started afresh and kept to one thread, so that the
two differ in nothing but their number. The time begins when the processes are warm: each
grades one photo before. Linear is ``jobs`` times the rate of one. Best of ``--repeat``.
Where others use the machine too, the processor time a photo says more: more of it with
several processes is what keeps them from linear.
"""

from __future__ import annotations

import argparse
import os
import platform
import shutil
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np

from app.folder.photo import Graded, grade_file
from app.folder.run import grade_folder
from app.folder.workers import begin, one_thread_each
from app.request import Request
from rules.sheet import load_sheet
from vision.photo.loading import find_photos


def main(argv: Sequence[str] | None = None) -> int:
    """Measure and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--photos", type=int, default=12)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--repeat", type=int, default=3)
    arguments = parser.parse_args(argv)
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, "
        f"Python {platform.python_version()}, OpenCV {cv2.__version__}, numpy {np.__version__}"
    )
    request = Request(sheet=load_sheet("house"))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        photos = _copies(find_photos([arguments.folder]), folder / "photos", arguments.photos)
        one = min(_run(photos, request, 1) for _ in range(arguments.repeat))
        many = min(_run(photos, request, arguments.jobs) for _ in range(arguments.repeat))
        began = time.perf_counter()
        grade_folder(photos, request, folder / "out", jobs=arguments.jobs)
        whole = time.perf_counter() - began
        began = time.perf_counter()
        grade_folder(photos, request, folder / "out", jobs=arguments.jobs)
        again = time.perf_counter() - began
    rate_one, rate_many = len(photos) / one[0], len(photos) / many[0]
    print("| | |\n| --- | --- |")
    print(f"| photos | {len(photos)} |")
    print(f"| 1 process, warm | {rate_one:.2f} photos a second |")
    print(f"| {arguments.jobs} processes, warm | {rate_many:.2f} photos a second |")
    print(f"| of linear | {100 * rate_many / (arguments.jobs * rate_one):.0f} % |")
    print(f"| processor time a photo, 1 process | {one[1] / len(photos):.2f} s |")
    print(f"| processor time a photo, {arguments.jobs} processes | {many[1] / len(photos):.2f} s |")
    print(f"| whole command, cold, {arguments.jobs} processes, all files | {whole:.1f} s |")
    print(f"| the same again, all finished | {again:.2f} s |")
    return 0


def _copies(photos: Sequence[Path], folder: Path, number: int) -> list[Path]:
    """Copy photos in turn; a few bytes behind the picture make each a photo of its own."""
    folder.mkdir()
    made = []
    for index in range(number):
        source = photos[index % len(photos)]
        copy = Path(shutil.copy(source, folder / f"{index:03}-{source.name}"))
        with copy.open("ab") as file:
            file.write(index.to_bytes(4, "big"))
        made.append(copy)
    return made


def _run(photos: Sequence[Path], request: Request, jobs: int) -> tuple[float, float]:
    """Return how long warm processes take for all photos, and their processor time, seconds."""
    with (
        one_thread_each(),
        ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=begin) as pool,
    ):
        # As many slow ones at once as there are processes: each is up and has read its model.
        warm = [pool.submit(_warm, photos[0], request) for _ in range(jobs)]
        for one in warm:
            one.result()
        began = time.perf_counter()
        work = [pool.submit(_timed, path, request) for path in photos]
        busy = sum(one_photo.result() for one_photo in work)
        return time.perf_counter() - began, busy


def _timed(photo: Path, request: Request) -> float:
    began = time.process_time()
    grade_file(photo, photo.name, request)
    return time.process_time() - began


def _warm(photo: Path, request: Request) -> Graded:
    graded = grade_file(photo, photo.name, request)
    time.sleep(1.0)  # long enough that the next one goes to another process
    return graded


if __name__ == "__main__":
    raise SystemExit(main())
