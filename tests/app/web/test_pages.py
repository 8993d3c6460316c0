"""The pages' logic without a browser: Streamlit's own test harness."""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

from app.grading import grade_examination
from app.load.sorting import TRAY
from app.load.store import LoadStore
from app.web import store
from app.web.desk.state import Visit
from app.web.grade import page as grade_page
from app.web.grade.demo import FOLDER
from rules.sheet import load_sheet

SCRIPT = Path(__file__).parents[3] / "app" / "web" / "script" / "cuproscope_pages.py"
BUSBAR = FOLDER / "busbar.jpg"


@pytest.fixture
def page(own_data: Path) -> Iterator[AppTest]:
    store._opened.clear()
    with warnings.catch_warnings():
        # The harness's own, of libraries it drives; our pages run under the same filter in
        # the browser's server, where nothing is hidden.
        warnings.simplefilter("ignore")
        at = AppTest.from_file(str(SCRIPT), default_timeout=60).run()
        assert not at.exception
        yield at
    store._opened().close()
    store._opened.clear()


def words(at: AppTest) -> str:
    """Everything a page says."""
    told = [element.value for kind in (at.markdown, at.title, at.subheader) for element in kind]
    told += [str(e.value) for kind in (at.warning, at.error, at.info, at.success) for e in kind]
    told += [element.proto.body for element in at.get("html")]
    return " ".join(told)


def hand_in(at: AppTest, name: str, data: bytes) -> AppTest:
    return at.file_uploader[0].set_value([(name, data, "image/jpeg")]).run()


def test_a_newcomer_is_told_what_to_do_and_offered_demo_photos(page: AppTest) -> None:
    assert "bank card" in words(page)
    assert sum(str(button.key).startswith("demo-") for button in page.button) == 7


def test_a_photo_is_graded_with_all_that_belongs_to_it(page: AppTest) -> None:
    at = hand_in(page, "bar.jpg", BUSBAR.read_bytes())
    assert not at.exception
    text = words(at)
    for part in ("Set aside", "Because", "All grades", "What was seen", "Mind"):
        assert part in text
    for title in [grade.title for grade in load_sheet("house").grades]:
        assert title in text, "all grades are told with their probability"


def test_of_several_pieces_the_one_looked_at_is_told_beneath_the_picture(page: AppTest) -> None:
    told = words(hand_in(page, "two.jpg", (BUSBAR.parent / "tube_and_dull_wire.jpg").read_bytes()))
    assert re.search(r"<strong>\d\. [^<]+</strong>: [^<]+\. More on it below\.", told)
    # What a screen reader reads of the picture is HTML, no Markdown: nothing in it is escaped so.
    assert "\\" not in told.split("drawn on it.", 1)[1].split("</p>", 1)[0]


@pytest.mark.parametrize("name", ["<script>alert(1)</script>.jpg", "![x](y) $z$ :red[w].jpg"])
def test_a_files_name_is_never_markup(page: AppTest, name: str) -> None:
    at = hand_in(page, name, BUSBAR.read_bytes())
    shown = next(m.value for m in at.markdown if m.value.startswith("**") and "jpg" in m.value)
    told = shown.removeprefix("**").removesuffix("**")
    for sign in "<>[]()*$:!":
        assert told.count(sign) == told.count(f"\\{sign}"), "CommonMark: a backslash before it"


def test_a_photo_that_cant_be_read_says_what_to_do(page: AppTest) -> None:
    at = hand_in(page, "note.jpg", b"dear buyer")
    assert "This photo can't be read." in words(at)
    assert at.warning
    assert not at.exception


def test_only_the_hash_and_name_stay_in_the_session(page: AppTest) -> None:
    at = hand_in(page, "bar.jpg", BUSBAR.read_bytes())
    held = repr(at.session_state["cuproscope"])
    assert len(held) < 5000
    assert "bar.jpg" in held


def test_handing_in_makes_the_page_but_once(page: AppTest, monkeypatch: pytest.MonkeyPatch) -> None:
    made = []
    real = grade_page._hand_in

    def counted(here: Visit) -> None:
        made.append(1)
        real(here)

    monkeypatch.setattr(grade_page, "_hand_in", counted)
    at = hand_in(page, "bar.jpg", BUSBAR.read_bytes())
    assert "Set aside" in words(at)
    assert len(made) == 1
    assert at.session_state["cuproscope"].rounds == 1, "a fresh uploader holds no file"


def test_several_photos_are_kept_apart(page: AppTest) -> None:
    small = io.BytesIO()
    Image.new("RGB", (300, 200), "white").save(small, "JPEG")
    uploads = page.file_uploader[0].set_value(
        [
            ("one.jpg", small.getvalue(), "image/jpeg"),
            ("two.jpg", BUSBAR.read_bytes(), "image/jpeg"),
        ]
    )
    at = uploads.run()
    assert "two" in words(at)
    assert "Set aside" in words(at)
    at.session_state["cuproscope"].shown = 0
    at.run()
    assert "No grade" in words(at)


def test_saving_once_is_enough(page: AppTest) -> None:
    at = hand_in(page, "bar.jpg", BUSBAR.read_bytes())
    save = next(button for button in at.button if str(button.key).startswith("save-"))
    at = save.click().run()
    assert store._opened().count() == 1
    assert "Saved to the records." in words(at)
    assert not any(str(button.key).startswith("save-") for button in at.button)


def test_the_export_is_prepared_on_disk_and_goes_with_everything_else(
    page: AppTest, own_data: Path
) -> None:
    at = hand_in(page, "bar.jpg", BUSBAR.read_bytes())
    next(button for button in at.button if str(button.key).startswith("save-")).click().run()
    at.session_state["cuproscope"].seen.clear()
    records = AppTest.from_function(_records_page, default_timeout=60).run()
    records.button(key="prepare").click().run()
    assert not records.exception
    assert "1 pieces and 1 photos." in words(records)
    with zipfile.ZipFile(own_data / "export" / "records.zip") as packed:
        assert "records.json" in packed.namelist()
    assert (own_data / "export" / "records.csv").stat().st_size > 100
    assert list((own_data / "inbox").iterdir()), "the photo that was handed in"
    assert records.button(key="delete-all").disabled, "nothing is deleted by one tap"
    sure = next(box for box in records.text_input if str(box.key).startswith("sure-"))
    sure.set_value("DELETE").run()
    records.button(key="delete-all").click().run()
    assert store._opened().count() == 0
    assert not (own_data / "export").exists()
    assert not list((own_data / "inbox").iterdir())
    assert "Nothing is saved yet" in words(records)


def _records_page() -> None:
    from app.web.records.page import show

    show()


def test_a_folder_that_cant_be_written_is_told_not_thrown(
    page: AppTest, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError("no space left")

    monkeypatch.setattr("app.web.desk.inbox.write_bytes_whole", full)
    at = hand_in(page, "bar.jpg", BUSBAR.read_bytes())
    assert not at.exception
    assert "could not be kept" in words(at)


def test_pieces_of_one_photo_are_shown_from_near(page: AppTest) -> None:
    from app.records import new_pieces_of
    from app.request import Request
    from app.web.records.page import shared_photos
    from tests.vision.drawn_examination import examination

    house = load_sheet("house")
    drawn = grade_examination(examination(size=(300, 400), pieces=2), Request(sheet=house))
    first = store.records().save_pieces(new_pieces_of(drawn, house))
    assert len(first) == 2
    assert shared_photos(first) == {first[0].photos[0].sha256}
    assert shared_photos(first[:1]) == frozenset()


def test_all_pieces_of_a_photo_go_into_the_load_with_one_press(page: AppTest) -> None:
    at = hand_in(page, "two.jpg", (FOLDER / "tube_and_dull_wire.jpg").read_bytes())
    (both,) = [button for button in at.button if str(button.key).startswith("both-")]
    labels = [button.label for button in at.button]
    assert "Save all 2 to the records" in labels and "Save all 2, and into the load" in labels
    assert "Name them, if you like" in [one.label for one in at.text_input]
    both.click().run()
    assert not at.exception
    pieces = store.records().pieces()
    load = LoadStore(store.records()).load()
    assert {piece.record for piece in load.pieces} == {piece.id for piece in pieces}
    assert len(pieces) == 2
    for b in load.bins:
        for piece in b.pieces:
            assert b.grade == (TRAY if piece.settle else piece.likely)
    unsure = sum(piece.settle is not None for b in load.bins for piece in b.pieces)
    assert unsure >= 1, "else this photo shows nothing of the tray"
    assert f"{unsure} in “to check”" in words(at)
    assert not [button for button in at.button if str(button.key).startswith(("both-", "load-"))]
