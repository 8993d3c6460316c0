"""Contact sheets: as many pages as it takes, each overlay in its place."""

from __future__ import annotations

from pathlib import Path

from PIL import Image

from app.folder.contact_sheet import ACROSS, CELL_PX, DOWN, GAP_PX, write_contact_sheets


def overlay(folder: Path, number: int, colour: tuple[int, int, int]) -> tuple[str, Path]:
    path = folder / f"{number}.jpg"
    Image.new("RGB", (64, 64), colour).save(path)
    return f"photo {number}", path


def test_pages_hold_twenty_and_older_ones_beyond_go(tmp_path: Path) -> None:
    drawn = [overlay(tmp_path, n, (200, 0, 0)) for n in range(ACROSS * DOWN + 1)]
    (tmp_path / "contact-3.jpg").write_bytes(b"of an earlier run")
    pages = write_contact_sheets(tmp_path, drawn)
    assert [page.name for page in pages] == ["contact-1.jpg", "contact-2.jpg"]
    assert sorted(p.name for p in tmp_path.glob("contact-*")) == [page.name for page in pages]


def test_each_overlay_lies_in_its_own_cell(tmp_path: Path) -> None:
    red, blue = overlay(tmp_path, 1, (220, 20, 20)), overlay(tmp_path, 2, (20, 20, 220))
    (page,) = write_contact_sheets(tmp_path, [red, blue])
    with Image.open(page) as opened:
        sheet = opened.convert("RGB")
    middle = GAP_PX + CELL_PX // 2
    first = sheet.getpixel((middle, GAP_PX + 20))
    second = sheet.getpixel((middle + CELL_PX + GAP_PX, GAP_PX + 20))
    assert isinstance(first, tuple) and isinstance(second, tuple)
    assert first[0] > 150 > first[2]
    assert second[2] > 150 > second[0]


def test_nothing_drawn_makes_no_page(tmp_path: Path) -> None:
    assert write_contact_sheets(tmp_path, []) == ()
