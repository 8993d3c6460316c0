"""Many overlays on one page, small, each with its name."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from app.files import write_whole

ACROSS, DOWN = 4, 5
CELL_PX = 480
NAME_PX = 30
GAP_PX = 12
QUALITY = 82
_GROUND, _INK = (238, 241, 242), (29, 35, 39)
LONGEST_NAME = 44


def write_contact_sheets(out: Path, drawn: Sequence[tuple[str, Path]]) -> tuple[Path, ...]:
    """Write as many pages as it takes, twenty overlays each; older pages beyond are removed.

    Args:
        out: Folder of the pages, ``contact-1.jpg`` and so on.
        drawn: Name and overlay file of each photo, in order.
    """
    size = ACROSS * DOWN
    pages = [drawn[start : start + size] for start in range(0, len(drawn), size)]
    paths = []
    for number, page in enumerate(pages, start=1):
        path = out / f"contact-{number}.jpg"
        _write_page(path, page)
        paths.append(path)
    for old in out.glob("contact-*.jpg"):
        if old not in paths:
            old.unlink()
    return tuple(paths)


def _write_page(path: Path, page: Sequence[tuple[str, Path]]) -> None:
    from PIL import Image, ImageDraw, ImageFont

    rows = -(-len(page) // ACROSS)
    columns = min(ACROSS, len(page))
    step_x, step_y = CELL_PX + GAP_PX, CELL_PX + NAME_PX + GAP_PX
    sheet = Image.new("RGB", (columns * step_x + GAP_PX, rows * step_y + GAP_PX), _GROUND)
    pen, font = ImageDraw.Draw(sheet), ImageFont.load_default(18)
    for index, (name, file) in enumerate(page):
        x = GAP_PX + (index % ACROSS) * step_x
        y = GAP_PX + (index // ACROSS) * step_y
        with Image.open(file, formats=["JPEG"]) as opened:
            picture = opened.convert("RGB")
        picture.thumbnail((CELL_PX, CELL_PX))
        sheet.paste(picture, (x + (CELL_PX - picture.width) // 2, y))
        shown = name if len(name) <= LONGEST_NAME else f"{name[: LONGEST_NAME - 1]}~"
        plain = shown.encode("ascii", "replace").decode()
        pen.text((x + CELL_PX // 2, y + CELL_PX + 4), plain, font=font, fill=_INK, anchor="ma")
    write_whole(path, lambda part: sheet.save(part, "JPEG", quality=QUALITY))
