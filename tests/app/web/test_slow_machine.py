"""What a person does on a slow machine counts: no press, open part or place gets lost."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.app.web.served import DEMO, LAPTOP, PHONE, Served, served
from tests.app.web.test_browser import hand_in, settled

Visit = Callable[..., Any]

TUBE = DEMO / "tube_with_brass_end.jpg"


@pytest.fixture(scope="module")
def slow_site(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("slow"), program=("-m", "tests.app.web.slowly")) as running:
        yield running


def graded(visit: Visit, site: Served) -> Any:
    page = visit(url=site.url, size=PHONE)
    hand_in(page, TUBE)
    page.get_by_role("button", name="Save to the records").wait_for()
    return settled(page)


def test_what_was_pressed_last_but_one_counts_too(visit: Visit, slow_site: Served) -> None:
    page = graded(visit, slow_site)
    page.get_by_label("Name it, if you like").fill("kept in a hurry")
    page.get_by_role("button", name="Save to the records").click()
    page.get_by_role("link", name="Records").click()
    page.get_by_role("heading", name="Records").wait_for()
    page.get_by_text("kept in a hurry").wait_for()


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="no such signals")
def test_what_was_pressed_while_nobody_answered_counts_too(visit: Visit, site: Served) -> None:
    """A machine that has no time at all for a moment finds both presses waiting."""
    page = graded(visit, site)
    page.get_by_label("Name it, if you like").fill("kept while it stood still")
    page.keyboard.press("Tab")
    settled(page)
    site.process.send_signal(signal.SIGSTOP)
    try:
        page.get_by_role("button", name="Save to the records").click()
        page.get_by_role("link", name="Records").click()
    finally:
        site.process.send_signal(signal.SIGCONT)
    page.get_by_role("heading", name="Records").wait_for()
    page.get_by_text("kept while it stood still").wait_for()


def test_an_impatient_second_press_is_none(visit: Visit, slow_site: Served) -> None:
    page = graded(visit, slow_site)
    page.get_by_label("Name it, if you like").fill("pressed twice")
    page.get_by_role("button", name="Save to the records").dblclick()
    page.get_by_text("Saved to the records").wait_for()
    settled(page).get_by_role("link", name="Records").click()
    page.get_by_text("pressed twice").first.wait_for()
    assert settled(page).get_by_text("pressed twice").count() == 1


def test_a_part_stays_open_while_its_questions_are_answered(
    visit: Visit, slow_site: Served
) -> None:
    page = graded(visit, slow_site)
    page.get_by_text("What lies beside it, what you know").click()
    for question, said in (("Wire from a motor", "1 of it said"), ("Paint on it", "2 of it said")):
        group = page.get_by_role("radiogroup", name=question)
        group.get_by_text("Yes", exact=True).click()
        page.get_by_text(said).wait_for()


def test_a_piece_is_deleted_with_presses_as_quick_as_they_can_be(
    visit: Visit, slow_site: Served
) -> None:
    page = graded(visit, slow_site)
    page.get_by_label("Name it, if you like").fill("to be deleted at once")
    page.get_by_role("button", name="Save to the records").click()
    page.get_by_role("link", name="Records").click()
    page.get_by_text("to be deleted at once").wait_for()
    page.get_by_role("button", name="Open").first.click()
    page.get_by_text("Name, notes, confirm, delete").click()
    page.get_by_role("button", name="Delete this piece").click()
    page.get_by_role("button", name="Yes, delete it").click()
    page.get_by_text("Import", exact=True).wait_for()
    page.get_by_text("to be deleted at once").wait_for(state="detached")


def hold(page: Any, what: Any) -> None:
    """Press as a finger does, which stays down for a tenth of a second where it landed."""
    what.scroll_into_view_if_needed()
    box = what.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.wait_for_timeout(100)
    page.mouse.up()


def test_a_press_counts_in_and_below_a_part_that_was_just_opened(visit: Visit) -> None:
    page = visit(size=LAPTOP)
    hand_in(page, TUBE)
    settled(page).get_by_role("button", name="Save to the records").click()
    page.get_by_text("Saved to the records").wait_for()
    page.get_by_role("link", name="Records").click()
    below = page.locator("summary", has_text="Import")
    below.wait_for()
    settled(page).locator("summary", has_text="Export").click()
    page.get_by_role("button", name="Prepare the files").wait_for()
    hold(page, below)
    page.get_by_text("A file that was exported here").wait_for()
    settled(page).get_by_role("button", name="Open").first.click()
    page.get_by_text("Name, notes, confirm, delete").wait_for()
    settled(page).get_by_text("Name, notes, confirm, delete").click()
    inside = page.get_by_role("button", name="Delete this piece")
    inside.focus()  # comes into view by that, as by the Tab key
    hold(page, inside)
    page.get_by_role("button", name="Yes, delete it").wait_for()


def test_nothing_moves_when_a_picture_comes_late(visit: Visit, slow_site: Served) -> None:
    page = graded(visit, slow_site)
    page.get_by_role("button", name="Save to the records").click()
    page.get_by_text("Saved to the records").wait_for()
    settled(page).get_by_role("link", name="Records").click()
    page.get_by_role("button", name="Open").first.wait_for()
    wire = page.context.new_cdp_session(page)
    wire.send("Network.enable")
    late = {"latency": 3000, "downloadThroughput": -1, "uploadThroughput": -1}
    wire.send("Network.emulateNetworkConditions", {"offline": False, **late})
    settled(page).get_by_role("button", name="Open").first.click()
    page.get_by_text("Name, notes, confirm, delete").wait_for()
    picture = settled(page).get_by_alt_text("with its outline")
    assert not picture.evaluate("image => image.naturalWidth"), "it should come late"
    before = picture.bounding_box()["height"]
    page.wait_for_function("image => image.naturalWidth > 0", arg=picture.element_handle())
    assert picture.bounding_box()["height"] == pytest.approx(before, abs=1)
    assert before > 100
