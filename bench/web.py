"""How long from handing in a photo to the answer on the screen?

    python -m bench.web [PHOTO] [--repeat N] [--heic]

Makes a 12-megapixel JPEG (with ``--heic`` a HEIC too) of ``PHOTO``, starts the pages on
this machine, and hands each in through Debian's Chromium at the size of a phone. The
clock runs from the file being chosen until the grade stands in the page, and until the
marked photo is decoded too. Each time a few bytes behind the file's end differ, so that
nothing was answered before. The browser reads the file from the disk, as it does for a
person; handing it the bytes would be timed with it.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2

from bench.speed import LONG_SIDE_PX, SHORT_SIDE_PX, _twelve_megapixels
from tests.app.web.served import DEMO, PHONE, chromium, served

PHOTO = DEMO / "tube_with_brass_end.jpg"


def main(argv: Sequence[str] | None = None) -> int:
    """Measure and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photo", type=Path, nargs="?", default=PHOTO)
    parser.add_argument("--repeat", type=int, default=5)
    parser.add_argument("--heic", action="store_true", help="a HEIC too; making it is slow")
    arguments = parser.parse_args(argv)
    path = chromium()
    if path is None:
        print("no Chromium on this machine")
        return 1
    import streamlit
    from playwright.sync_api import sync_playwright

    load = os.getloadavg()[0]
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, load {load:.1f} before it began, "
        f"Python {platform.python_version()}, Streamlit {streamlit.__version__}"
    )
    print("| file | MB | grade shown s | with its picture s |\n| --- | --- | --- | --- |")
    with (
        tempfile.TemporaryDirectory() as folder,
        served(Path(folder) / "data") as site,
        sync_playwright() as driver,
    ):
        browser = driver.chromium.launch(executable_path=path, args=["--no-sandbox"])
        context = browser.new_context(viewport={"width": PHONE[0], "height": PHONE[1]})
        for file in _files(arguments.photo, Path(folder), with_heic=arguments.heic):
            data = file.read_bytes()
            times = []
            for number in range(arguments.repeat + 1):
                file.write_bytes(data + b"\0" * number)
                times.append(_once(context, site.url, file))
            del times[0]  # it warms the server up
            grade, picture = (statistics.median(column) for column in zip(*times, strict=True))
            print(
                f"| {file.suffix[1:]} | {len(data) / 1e6:.1f} | {grade:.2f} | {picture:.2f} |",
                flush=True,
            )
        browser.close()
    return 0


def _files(photo: Path, folder: Path, *, with_heic: bool) -> tuple[Path, ...]:
    if with_heic:
        return _twelve_megapixels(photo, folder)
    pixels = cv2.imread(str(photo))
    assert pixels is not None, f"{photo} is no photo"
    large = cv2.resize(pixels, (LONG_SIDE_PX, SHORT_SIDE_PX), interpolation=cv2.INTER_LANCZOS4)
    path = folder / "photo.jpg"
    cv2.imwrite(str(path), large, [cv2.IMWRITE_JPEG_QUALITY, 92])
    return (path,)


def _once(context: Any, url: str, file: Path) -> tuple[float, float]:
    page = context.new_page()
    page.set_default_timeout(120_000)
    page.goto(url)
    page.get_by_text("Look at one of these").wait_for()
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for()
    start = time.perf_counter()
    page.locator("input[type=file]").first.set_input_files(file)
    page.get_by_text("Because").wait_for()
    grade = time.perf_counter() - start
    picture = page.get_by_alt_text("The photo with what was found drawn on it")
    picture.wait_for()
    picture.evaluate("image => image.decode()")
    whole = time.perf_counter() - start
    page.close()
    return grade, whole


if __name__ == "__main__":
    raise SystemExit(main())
