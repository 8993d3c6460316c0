"""The pages in a real browser, as a person uses them, and as nobody should."""

from __future__ import annotations

import io
import re
import struct
import zlib
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
from PIL import Image

from rules.sheet import load_sheet, sheet_names
from tests.app.web.served import DEMO, LAPTOP, PHONE, Served, served

Visit = Callable[..., Any]

TUBE = DEMO / "tube_with_brass_end.jpg"
DULL = DEMO / "tube_and_dull_wire.jpg"
PAIRS = DEMO.parent / "pairs"


def hand_in(page: Any, *files: dict[str, Any] | Path) -> None:
    page.locator("input[type=file]").first.set_input_files(
        [str(f) if isinstance(f, Path) else f for f in files]
    )


def settled(page: Any) -> Any:
    """Return the page once its script has run to the end: what it shows then stays."""
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for()
    return page


def as_file(name: str, data: bytes, kind: str = "image/jpeg") -> dict[str, Any]:
    return {"name": name, "mimeType": kind, "buffer": data}


def heic(source: Path) -> bytes:
    import pillow_heif

    with Image.open(source) as photo:
        held = pillow_heif.from_pillow(photo.convert("RGB"))
    file = io.BytesIO()
    held.save(file, quality=90)
    return file.getvalue()


def huge_png(side: int) -> bytes:
    """A valid PNG of ``side`` x ``side`` one-bit pixels, all black: a few kilobytes."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    header = struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0)
    packer = zlib.compressobj(9)
    row = b"\0" * (1 + (side + 7) // 8)
    body = b"".join(packer.compress(row) for _ in range(side)) + packer.flush()
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_a_jpeg_is_graded_with_reasons_and_picture(visit: Visit, size: tuple[int, int]) -> None:
    page = visit(size=size)
    hand_in(page, TUBE)
    page.get_by_role("heading", name="No. 2", exact=True).wait_for()
    assert settled(page).get_by_text("A brass fitting is on the piece").is_visible()
    assert page.get_by_text("All grades").is_visible()
    picture = page.get_by_alt_text("The photo with what was found drawn on it")
    picture.wait_for()
    assert picture.evaluate("image => image.naturalWidth") >= 1000
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]


@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_the_flash_is_offered_for_a_coat_and_a_photo_of_other_pieces_is_told(
    visit: Visit, size: tuple[int, int]
) -> None:
    page = visit(size=size)
    hand_in(page, DULL)
    page.get_by_text("All grades").wait_for()
    page.get_by_text("Motor, coil, transformer").click()  # whose wire mostly wears enamel
    page.get_by_text("Settle it with the flash").wait_for()
    settled(page).get_by_alt_text("Three small drawings").wait_for()
    page.locator(".st-key-flash input[type=file]").set_input_files(
        str(PAIRS / "tubes_brass_coin_flash.jpg")
    )
    page.get_by_role("heading", name="With the flash").wait_for()
    assert settled(page).get_by_text("not found again at its place").is_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    page.get_by_role("button", name="Lay it aside").click()
    page.get_by_text("Settle it with the flash").wait_for()


def test_a_heic_of_the_same_photo_gets_the_same_grade(visit: Visit) -> None:
    page = visit()
    hand_in(page, as_file("IMG_1.HEIC", heic(TUBE), "image/heic"))
    page.get_by_role("heading", name="No. 2", exact=True).wait_for()


def test_a_newcomer_sees_a_result_with_one_tap(visit: Visit) -> None:
    page = visit(size=PHONE)
    page.get_by_role("button", name="Tube with a brass end").click()
    page.get_by_role("heading", name="No. 2", exact=True).wait_for(timeout=10_000)


def test_what_is_stated_turns_the_grade(visit: Visit) -> None:
    page = visit()
    hand_in(page, DEMO / "bright_wires_thick_and_thin.jpg")
    page.get_by_text("Because").wait_for()
    settled(page).get_by_text("What lies beside it, what you know").click()
    motor = page.get_by_role("radiogroup", name="Wire from a motor")
    motor.get_by_text("Yes", exact=True).click()
    page.get_by_role("heading", name=re.compile(r"^\d\. No\. 2$")).wait_for()


def test_the_names_of_the_rule_sheets_are_whole_on_a_phone(visit: Visit) -> None:
    page = visit(size=PHONE)
    hand_in(page, TUBE)
    page.get_by_text("Because").wait_for()
    settled(page).get_by_text("What lies beside it, what you know").click()
    asked = page.get_by_role("radiogroup", name="Graded by which rules?")
    for name in sheet_names():
        words = asked.get_by_text(load_sheet(name).title)
        words.wait_for()
        assert words.evaluate("one => one.scrollWidth <= one.clientWidth")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]


def tap(page: Any, x: float, y: float, *, shows: str, first: bool = False) -> None:
    """Tap the picture at a share of its width and height, and wait for the next step."""
    # The last of them: of several pieces the answer's own picture can be tapped too.
    frames = settled(page).frame_locator("iframe[title*=image_coordinates]")
    image = (frames.first if first else frames.last).locator("img")
    image.wait_for()
    box = image.bounding_box()
    image.click(position={"x": x * box["width"], "y": y * box["height"]})
    page.get_by_text(shows).wait_for()


def test_two_tapped_points_give_a_scale(visit: Visit) -> None:
    page = visit(size=PHONE)
    hand_in(page, DEMO / "corroded_tube_card_hard_to_see.jpg")
    page.get_by_text("No scale was found").wait_for()
    settled(page).get_by_text("The size or the outline is wrong?").click()
    page.get_by_text("The size is wrong", exact=True).click()
    page.get_by_text("Tap near the first point").wait_for()
    tap(page, 0.2, 0.3, shows="tap the first point exactly")
    tap(page, 0.5, 0.5, shows="Tap near the second point")
    tap(page, 0.7, 0.6, shows="tap the second point exactly")
    tap(page, 0.5, 0.5, shows="How far are they apart")
    settled(page).get_by_role("button", name="Measure again").click()
    page.get_by_text("Scale from the two points").wait_for()
    page.get_by_text("Measured with your taps").wait_for()


@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_a_piece_is_looked_at_by_a_tap_on_it_or_on_its_number(
    visit: Visit, size: tuple[int, int]
) -> None:
    page = visit(size=size)
    hand_in(page, DULL)
    page.get_by_text("2 pieces on this photo").wait_for()
    for x, y, number in ((0.56, 0.48, 2), (0.42, 0.5, 1)):  # the tube, the wire beside it
        tap(page, x, y, shows="Because", first=True)
        page.get_by_role("heading", name=re.compile(rf"^{number}\. ")).wait_for()
    page.get_by_role("radio", name=re.compile("^2 ")).click()
    page.get_by_role("heading", name=re.compile(r"^2\. ")).wait_for()
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]


def test_a_tapped_piece_is_the_only_one_that_counts(visit: Visit) -> None:
    page = visit()
    hand_in(page, DULL)
    page.get_by_text("2 pieces on this photo").wait_for()
    settled(page).get_by_text("The size or the outline is wrong?").click()
    page.get_by_text("The outline is wrong", exact=True).click()
    # The answer's own picture can be tapped too: the one meant is the second.
    page.locator("iframe[title*=image_coordinates]").nth(1).wait_for()
    tap(page, 0.56, 0.48, shows="Measured with your taps")  # on the tube, not beside it
    page.get_by_text("2 pieces on this photo").wait_for(state="detached")
    settled(page).get_by_role("button", name="Save to the records").wait_for()


def test_saved_pieces_are_there_after_a_restart(context: Any, tmp_path: Path) -> None:
    with served(tmp_path) as first:
        page = context.new_page()
        page.set_default_timeout(60_000)
        page.goto(first.url)
        hand_in(page, TUBE)
        settled(page).get_by_label("Name it, if you like").fill("from under the sink")
        settled(page).get_by_role("button", name="Save to the records").click()
        page.get_by_text("Saved to the records").wait_for()
        page.get_by_role("link", name="Second opinion").click()
        page.get_by_text("What do you say?").wait_for()
        assert not page.get_by_text("Because").is_visible(), "the own call is to be blind"
        settled(page).get_by_text("No. 1", exact=True).click()
        page.get_by_label("Your name").fill("Ada")
        page.get_by_label("Your name").press("Tab")
        settled(page).get_by_role("button", name="That is my call").click()
        page.get_by_text("You and the photo differ").wait_for()
        page.get_by_alt_text("Strip of copper surfaces").wait_for()
        page.get_by_role("combobox", name="Buyer").fill("Weir yard")
        page.get_by_role("combobox", name="Buyer").press("Enter")
        page.get_by_test_id("stForm").get_by_text("No. 2", exact=True).click()
        page.get_by_label("Paid for it, if known").fill("12.40")
        settled(page).get_by_role("button", name="Keep this").click()
        page.get_by_text("Weir yard: No. 2, 12.40 USD").wait_for()
        page.close()
    with served(tmp_path) as second:
        page = context.new_page()
        page.set_default_timeout(60_000)
        page.goto(f"{second.url}/records")
        page.get_by_text("from under the sink").wait_for()
        settled(page).get_by_role("button", name="Open").click()
        page.get_by_text("Ada called it No. 1 (blind)").wait_for()
        page.get_by_text("Weir yard: No. 2, 12.40 USD").wait_for()
        page.get_by_alt_text("with its outline").wait_for()
        page.close()


def test_a_pieces_buttons_stand_beside_its_photo_on_a_phone_too(visit: Visit) -> None:
    page = visit(size=PHONE)
    hand_in(page, TUBE)
    settled(page).get_by_role("button", name="Save, and into the load").click()
    page.get_by_text("In the load").wait_for()
    buttons = {
        "Records": "button:has-text('Open')",
        "The load": "[data-testid=stPopoverButton]:visible",
    }
    for title, button in buttons.items():
        page.get_by_role("link", name=title).click()
        page.get_by_role("heading", name=title, exact=True).wait_for()
        row = settled(page).locator("[class*=st-key-row-]").first
        photo = row.locator("img").bounding_box()
        beside = row.locator(button).bounding_box()
        assert beside["x"] > photo["x"] + photo["width"], title
        assert beside["y"] < photo["y"] + photo["height"], title
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]


def test_a_photo_in_hand_is_still_there_after_a_look_at_another_page(visit: Visit) -> None:
    page = visit(size=PHONE)
    page.get_by_role("button", name="Flat bar").click()
    page.get_by_text("Because").wait_for()
    page.get_by_role("link", name="Records").click()
    page.get_by_role("heading", name="Records").wait_for()
    page.get_by_role("link", name="Grade a piece").click()
    page.get_by_text("busbar.jpg").wait_for()
    page.get_by_text("Because").wait_for()


def test_a_round_of_practice_is_answered_and_counted(visit: Visit) -> None:
    page = visit("practice", size=PHONE)
    page.get_by_role("combobox", name="Who practises").fill("Bo")
    page.get_by_role("combobox", name="Who practises").press("Enter")
    for number in (1, 2):
        page.get_by_text("Which grade?").wait_for()
        page.get_by_alt_text("The piece to grade, from near").wait_for()
        assert not page.get_by_text("What decides").is_visible()
        settled(page).get_by_text("No. 2", exact=True).first.click()
        page.get_by_text("Because …").wait_for()
        settled(page).get_by_text("Solder is on the piece").click()
        settled(page).get_by_role("button", name="That is my answer").click()
        page.get_by_text("What decides").wait_for()
        page.get_by_text(f"Answers so far: {number}").wait_for()
        settled(page).get_by_role("button", name="Next card").click()
    page.get_by_text("Which grade?").wait_for()
    settled(page).get_by_text("Progress", exact=True).click()
    page.get_by_text("Better than guessing", exact=True).wait_for()
    page.get_by_text("Each line: what it truly is").wait_for()


TLS, PLAIN = pytest.param((), id="tls"), pytest.param(("--plain",), id="plain")


@pytest.fixture(scope="module")
def lan(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("lan"), "--lan", *request.param) as running:
        yield running


@pytest.mark.parametrize("lan", [TLS, PLAIN], indirect=True)
def test_a_phone_comes_in_by_the_code_and_nobody_else(browser: Any, lan: Served) -> None:
    found = re.search(r"minutes: (\S+)", "".join(lan.lines))
    assert found
    # What going on after the browser's warning does.
    profiles = [browser.new_context(ignore_https_errors=True) for _ in range(2)]
    page, other = (profile.new_page() for profile in profiles)
    page.set_default_timeout(60_000)
    page.goto(lan.url)
    assert page.evaluate("isSecureContext") == lan.url.startswith("https"), (
        "a camera wants a secure page"
    )
    page.get_by_label("Code from the computer's terminal").fill("WRONG-CODE")
    page.get_by_role("button", name="Come in").click()
    page.get_by_text("That is not the code").wait_for()
    page.get_by_label("Code from the computer's terminal").fill(found.group(1))
    page.get_by_role("button", name="Come in").click()
    page.get_by_text("Look at one of these").wait_for()  # over its stream, so that is in too
    hand_in(page, TUBE)
    page.get_by_role("heading", name="No. 2", exact=True).wait_for()
    other.goto(f"{lan.url}/records")
    assert other.title() == "Code, please"
    for profile in profiles:
        profile.close()


@pytest.mark.parametrize("lan", [TLS], indirect=True)
def test_a_browser_warns_of_a_certificate_that_nobody_vouches_for(
    browser: Any, lan: Served
) -> None:
    from playwright.sync_api import Error

    page = browser.new_page()
    with pytest.raises(Error, match="ERR_CERT_AUTHORITY_INVALID"):
        page.goto(lan.url)
    page.close()


HOLDING = """
import sys, threading, time
from pathlib import Path
def note():
    most = 0
    while True:
        time.sleep(0.02)
        if "streamlit.runtime" in sys.modules and "app.web.desk.uploads" in sys.modules:
            from app.web.desk.uploads import held_bytes
            now = held_bytes()
            most = max(most, now)
            Path(sys.argv[1]).write_text(f"{most} {now}")
threading.Thread(target=note, daemon=True).start()
from app.cli import main
sys.exit(main(sys.argv[2:]))
"""


def test_an_upload_leaves_the_servers_memory_when_it_is_in_hand(
    context: Any, tmp_path: Path
) -> None:
    log, program = tmp_path / "held", tmp_path / "holding.py"
    program.write_text(HOLDING)
    with served(tmp_path / "data", program=(str(program), str(log))) as site:
        page = context.new_page()
        page.set_default_timeout(60_000)
        page.goto(site.url)
        hand_in(page, TUBE, DULL)
        page.get_by_text("Photos in hand").wait_for()
        settled(page).get_by_text("Because").wait_for()
        for name in ("third.jpg", "fourth.jpg", "fifth.jpg", "sixth.jpg"):
            # One after the other: a browser tells of the last ones once more meanwhile.
            hand_in(page, as_file(name, TUBE.read_bytes() + name.encode()))
            page.get_by_text(name, exact=True).first.wait_for()
            settled(page).get_by_text("Because").wait_for()
        most, now = 0, 1
        for _ in range(50):
            most, now = map(int, (log.read_text() or "0 1").split())
            if not now:
                break
            page.wait_for_timeout(100)
        page.close()
    # What is held is looked at now and then: one upload at least was seen in memory.
    assert most >= TUBE.stat().st_size
    assert now == 0


class Foreign(BaseHTTPRequestHandler):
    """A page of somebody else's."""

    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("content-type", "text/html")
        self.end_headers()
        self.wfile.write(b"<p>a foreign page")

    def log_message(self, *_: object) -> None:
        pass


def test_a_page_of_somebody_else_reaches_nothing(browser: Any, site: Served) -> None:
    """A page from another port of this machine, in the same browser."""
    with ThreadingHTTPServer(("127.0.0.1", 0), Foreign) as foreign:
        Thread(target=foreign.serve_forever, daemon=True).start()
        page = browser.new_page()
        page.goto(f"http://localhost:{foreign.server_port}/")
        host = site.url.removeprefix("http://")
        closed = page.evaluate(
            """host => new Promise(told => {
                const stream = new WebSocket(`ws://${host}/_stcore/stream`);
                stream.onopen = () => told('open');
                stream.onerror = () => told('refused');
            })""",
            host,
        )
        assert closed == "refused"
        page.set_content(f'<iframe src="{site.url}" width=800 height=600></iframe>')
        page.wait_for_timeout(1000)
        framed = page.frames[-1]
        assert "Cuproscope" not in framed.content()
        page.close()
        foreign.shutdown()


# ------------------------------------------------------------------- hostile input


def test_a_file_of_50_mb_is_refused_in_words(visit: Visit, tmp_path: Path) -> None:
    big = tmp_path / "big.jpg"
    with big.open("wb") as file:
        file.truncate(50 * 2**20)
    page = visit()
    hand_in(page, big)
    page.get_by_text("File must be 25.0MB or smaller").wait_for()


@pytest.mark.parametrize(
    ("name", "data", "told"),
    [
        ("note.jpg", b"dear buyer, this is no photo", "not a photo"),
        ("wide.png", huge_png(30_000), "pixels"),
        ("cut.jpg", TUBE.read_bytes()[:60_000], "This photo can't be read"),
    ],
    ids=["text", "30000x30000", "truncated"],
)
def test_what_is_no_photo_is_told_and_the_next_one_still_works(
    visit: Visit, name: str, data: bytes, told: str
) -> None:
    page = visit()
    hand_in(page, as_file(name, data))
    page.get_by_text("This photo can't be read").wait_for()
    page.get_by_text(re.compile(re.escape(told), re.IGNORECASE)).first.wait_for()
    hand_in(page, TUBE)
    page.get_by_role("heading", name="No. 2", exact=True).wait_for()


def test_html_and_scripts_in_names_and_notes_stay_text(visit: Visit) -> None:
    page = visit()
    nasty = (
        "<img src=x onerror=\"document.title='owned'\"> **bold** [x](javascript:alert(1)) $x$ "
        "www.evil.example a@evil.example"
    )
    assert len(nasty) <= 120, "the page takes no longer name"
    hand_in(page, as_file("<b>x<b>.jpg", TUBE.read_bytes()))
    settled(page).get_by_label("Name it, if you like").fill(nasty)
    settled(page).get_by_role("button", name="Save to the records").click()
    page.get_by_text("Saved to the records").wait_for()
    page.get_by_role("link", name="Records").click()
    page.get_by_text("<img src=x onerror=").first.wait_for()
    settled(page).get_by_role("button", name="Open").first.click()
    page.get_by_text("Because").wait_for()
    settled(page).get_by_text("Name, notes, confirm, delete").click()
    page.get_by_label("Notes").fill(f"{nasty} https://evil.example/a HTTP://evil.example")
    settled(page).get_by_role("button", name="Keep these changes").click()
    page.get_by_text("Because").wait_for()
    assert "owned" not in page.title()
    assert page.locator("a[href^=javascript]").count() == 0
    assert page.locator("img[src=x]").count() == 0
    # A heading links to itself; nothing links away.
    assert page.locator("a[href*=evil i]:not([href^='#'])").count() == 0


def test_two_browsers_at_once_do_not_see_each_others_photos(visit: Visit) -> None:
    one, two = visit(), visit(size=PHONE, another=True)
    hand_in(one, TUBE)
    hand_in(two, DEMO / "busbar.jpg")
    one.get_by_role("heading", name="No. 2", exact=True).wait_for()
    two.get_by_role("heading", name="Set aside").wait_for()
    assert not one.get_by_text("busbar.jpg").is_visible()
    assert not two.get_by_text("tube_with_brass_end.jpg").is_visible()


def test_deleting_asks_twice(visit: Visit, site: Served) -> None:
    page = visit()
    hand_in(page, TUBE)
    settled(page).get_by_label("Name it, if you like").fill("to be deleted")
    settled(page).get_by_role("button", name="Save to the records").click()
    page.get_by_text("Saved to the records").wait_for()
    page.get_by_role("link", name="Records").click()
    page.get_by_text("to be deleted").wait_for()
    settled(page).get_by_role("button", name="Open").first.click()
    settled(page).get_by_text("Name, notes, confirm, delete").click()
    settled(page).get_by_role("button", name="Delete this piece").wait_for()
    settled(page).get_by_role("button", name="Delete this piece").click()
    settled(page).get_by_role("button", name="Yes, delete it").click()
    page.get_by_text("Import", exact=True).wait_for()
    page.get_by_text("to be deleted").wait_for(state="detached")
