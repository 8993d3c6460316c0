"""One browser and one server for all browser tests."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

from tests.app.web.served import LAPTOP, NEED, Served, chromium, served


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    path = chromium()
    if path is None:
        if os.environ.get(NEED) == "1":
            pytest.fail("no Chromium on this machine, and browser tests must not be left out")
        pytest.skip("LEFT OUT: no Chromium on this machine (Debian: apt-get install chromium)")
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        # Debian's Chromium runs as root in CI only without its sandbox.
        opened = driver.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def site(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("data")) as running:
        yield running


class Outside(list[str]):
    """Addresses that a page asked for outside of its own server."""


@pytest.fixture(scope="session")
def context(browser: Any) -> Iterator[Any]:
    """One profile for most tests, so that the scripts are loaded once; each page of it is a
    visitor of its own to the server."""
    opened = browser.new_context()
    yield opened
    opened.close()


@pytest.fixture
def visit(browser: Any, context: Any, site: Served) -> Iterator[Callable[..., Any]]:
    """Open a page as a new visitor; at the end no page may have asked for anything outside."""
    pages: list[Any] = []
    own: list[Any] = []
    outside = Outside()

    def go(
        path: str = "",
        *,
        size: tuple[int, int] = LAPTOP,
        another: bool = False,
        url: str | None = None,
    ) -> Any:
        address = url or site.url
        profile = context
        if another:
            profile = browser.new_context()
            own.append(profile)
        page = profile.new_page()
        pages.append(page)
        page.set_viewport_size({"width": size[0], "height": size[1]})
        page.set_default_timeout(60_000)  # a busy machine; a quick one never waits
        host = address.split("//")[1]
        page.on("request", lambda request: _note(request.url, host, outside))
        page.goto(f"{address}/{path}")
        return page

    yield go
    for opened in (*pages, *own):
        opened.close()
    assert not outside


def _note(url: str, host: str, outside: Outside) -> None:
    if not url.startswith(("data:", "blob:")) and urlsplit(url).netloc != host:
        outside.append(url)


@pytest.fixture
def own_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Records of this test alone, in this process."""
    monkeypatch.setenv("CUPROSCOPE_DATA", str(tmp_path))
    return tmp_path
