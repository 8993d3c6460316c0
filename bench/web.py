"""How long from handing in a photo to the answer on the screen?

    python -m bench.web [PHOTO] [--repeat N]

Makes a 12-megapixel JPEG and HEIC of ``PHOTO``, starts the pages on this machine, and
hands each in through Debian's Chromium at the size of a phone. The clock runs in the
browser, from the file being chosen until the grade stands in the page, and until the
marked photo is decoded too. Each time another file (a few bytes behind its end differ), so
that nothing was answered before.
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

from bench.speed import _twelve_megapixels
from tests.app.web.served import DEMO, PHONE, chromium, served

PHOTO = DEMO / "tube_with_brass_end.jpg"


def main(argv: Sequence[str] | None = None) -> int:
    """Measure and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photo", type=Path, nargs="?", default=PHOTO)
    parser.add_argument("--repeat", type=int, default=5)
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
        for file in _twelve_megapixels(arguments.photo, Path(folder)):
            data = file.read_bytes()
            times = [
                _once(browser, site.url, file.name, data + b"\0" * number)
                for number in range(arguments.repeat + 1)
            ][1:]  # the first one warms the server up
            grade, picture = (statistics.median(column) for column in zip(*times, strict=True))
            print(f"| {file.suffix[1:]} | {len(data) / 1e6:.1f} | {grade:.2f} | {picture:.2f} |")
        browser.close()
    return 0


def _once(browser: Any, url: str, name: str, data: bytes) -> tuple[float, float]:
    page = browser.new_page(viewport={"width": PHONE[0], "height": PHONE[1]})
    page.goto(url)
    page.get_by_text("Look at one of these").wait_for()
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for()
    kind = "image/jpeg" if name.endswith("jpg") else "image/heic"
    start = time.perf_counter()
    page.locator("input[type=file]").first.set_input_files(
        [{"name": name, "mimeType": kind, "buffer": data}]
    )
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
