"""The load's page in a real browser: from the invented load to a settled ticket."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.app.web.served import LAPTOP, PHONE, served
from tests.app.web.test_browser import settled

Visit = Callable[..., Any]


def look_at(page: Any, part: str) -> None:
    page.get_by_role("radio", name=part).click()
    settled(page)


@pytest.fixture(scope="module")
def own_site(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    with served(tmp_path_factory.mktemp("loads")) as running:
        yield running


@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_the_invented_load_is_planned_ticketed_settled_and_removed(
    visit: Visit, own_site: Any, size: tuple[int, int]
) -> None:
    page = visit("the-load", size=size, url=own_site.url)
    page.get_by_role("button", name="Look at an invented load").click()
    page.get_by_role("heading", name="blue tub").wait_for()
    look_at(page, "Plan")
    page.get_by_text("after travel").first.wait_for()
    page.get_by_text("bath feed with an old joint").first.wait_for()
    # Nothing is wider than the screen.
    wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    assert wide <= 0
    look_at(page, "Tickets")
    page.get_by_role("button", name="Write the ticket").click()
    with page.expect_download() as waiting:
        page.get_by_role("button", name="To print (PDF)").click()
    assert Path(waiting.value.path()).read_bytes().startswith(b"%PDF-")

    settled(page).get_by_text("What was paid?").click()
    keep = page.get_by_role("button", name="Keep; these bins are sold")
    keep.click()
    page.get_by_text("0.00 against the ticket").wait_for()
    page.get_by_role("button", name="Take the invented load out").click()
    page.get_by_role("button", name="Begin my load").wait_for()
