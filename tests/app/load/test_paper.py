"""Printed pages, read back by PDFium: the paper's size, the words, nothing that is markup."""

from __future__ import annotations

import io
from pathlib import Path

import pypdfium2
import pytest
from PIL import Image

from app.load.paper import card, picture, plain, space, table_of, text, write_page

MM = 72 / 25.4
"""Points in a millimetre."""


def words_of(path: Path) -> str:
    document = pypdfium2.PdfDocument(path)
    return "\n".join(page.get_textpage().get_text_range() for page in document)


@pytest.mark.parametrize(
    ("paper", "size_mm"),
    [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))],  # ISO 216; ANSI/ASME Y14.1
)
def test_the_page_is_of_that_paper_and_the_column_within_its_margins(
    tmp_path: Path, paper: str, size_mm: tuple[float, float]
) -> None:
    path, widths = tmp_path / "a.pdf", []

    def story(width: float) -> list[object]:
        widths.append(width)
        return [text("<b>Load</b> of the week", "title")]

    write_page(path, story, title="Load", paper=paper)
    page = pypdfium2.PdfDocument(path)[0]
    assert page.get_size() == pytest.approx([v * MM for v in size_mm], abs=0.5)
    assert widths[0] == pytest.approx((size_mm[0] - 2 * 16) * MM, abs=13)
    assert "Load of the week" in words_of(path)
    assert "Load, page 1" in words_of(path)


@pytest.mark.parametrize(
    ("typed", "shown"),
    [
        ("a <b>bold</b> & brave yard", "a <b>bold</b> & brave yard"),
        ("Ünïcode ± 3 µm", "Ünïcode ± 3 µm"),
        ("𓂀 銅 pipe", "? ? pipe"),  # letters that the typeface has not
        ("<img src='x'/>", "<img src='x'/>"),
    ],
)
def test_what_a_person_typed_is_shown_as_it_is(tmp_path: Path, typed: str, shown: str) -> None:
    path = tmp_path / "a.pdf"
    write_page(path, lambda _: [text(plain(typed))], title=typed)
    told = words_of(path)
    assert shown in told
    assert f"{shown}, page 1" in told


def jpeg(size: tuple[int, int]) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, (180, 110, 70)).save(out, "JPEG")
    return out.getvalue()


@pytest.mark.parametrize("size", [(400, 300), (100, 500), (600, 60)])
def test_a_picture_keeps_its_shape_on_42_mm(tmp_path: Path, size: tuple[int, int]) -> None:
    path = tmp_path / "a.pdf"
    photo = picture("f" * 64, None, lambda *_: jpeg(size))
    write_page(path, lambda width: [card(photo, [text("pipe")], width=width)], title="a")
    page = pypdfium2.PdfDocument(path)[0]
    (drawn,) = [o for o in page.get_objects() if o.type == pypdfium2.raw.FPDF_PAGEOBJ_IMAGE]
    left, bottom, right, top = drawn.get_bounds()
    assert max(right - left, top - bottom) == pytest.approx(42 * MM, abs=0.5)
    assert (right - left) / (top - bottom) == pytest.approx(size[0] / size[1], rel=0.02)


def left_of(path: Path) -> float:
    """Return where the words on a page begin, in points from its left."""
    page = pypdfium2.PdfDocument(path)[0]
    words = [o for o in page.get_objects() if o.type == pypdfium2.raw.FPDF_PAGEOBJ_TEXT]
    return min(o.get_bounds()[0] for o in words if o.get_bounds()[1] > 60)  # above the foot


def test_a_lost_picture_is_told_and_one_that_never_was_leaves_no_gap(tmp_path: Path) -> None:
    assert picture(None, None, lambda *_: jpeg((40, 30))) is None
    path, plainly = tmp_path / "a.pdf", tmp_path / "b.pdf"
    lost = picture("f" * 64, None, lambda *_: None)
    write_page(path, lambda width: [card(lost, [text("pipe")], width=width)], title="a")
    assert "photo lost" in words_of(path)
    # The words of a card without a photo, and a table, begin where those of the text do.
    write_page(path, lambda width: [card(None, [text("pipe")], width=width)], title="a")
    write_page(plainly, lambda _: [text("pipe")], title="a")
    assert left_of(path) == pytest.approx(left_of(plainly), abs=0.5)


def test_a_long_table_repeats_its_head_on_every_page(tmp_path: Path) -> None:
    path = tmp_path / "a.pdf"
    rows = [["bin", "kg"], *[[f"tub {number}", f"{number}.00"] for number in range(120)]]
    write_page(
        path,
        lambda _: [table_of(rows, [100, 60], right=(1,), last_bold=True), space(5)],
        title="a",
    )
    pages = pypdfium2.PdfDocument(path)
    assert len(pages) > 1
    for page in pages:
        assert "bin" in page.get_textpage().get_text_range()


def test_the_same_story_is_the_same_file(tmp_path: Path) -> None:
    one, other = tmp_path / "a.pdf", tmp_path / "b.pdf"
    for path in (one, other):
        write_page(path, lambda _: [text("the same")], title="a")
    assert one.read_bytes() == other.read_bytes()
