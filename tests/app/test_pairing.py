"""Pairs of a folder are told by what the camera wrote, else by how the table's light falls off."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from app.pairing import pairs_in
from vision.photo.colour import from_linear

FIRED, OFF = 0x19, 0x10
"""EXIF 2.3, 4.6.5, tag Flash: bit 0 says whether it fired."""


def photo(folder: Path, name: str, taken: str | None, flash: int | None = OFF) -> Path:
    exif = Image.Exif()
    notes = exif.get_ifd(0x8769)
    if taken is not None:
        notes[0x9003] = f"2026:11:30 {taken}"
    if flash is not None:
        notes[0x9209] = flash
    Image.new("RGB", (64, 48), "grey").save(folder / name, exif=exif.tobytes())
    return folder / name


@pytest.mark.parametrize("kind", ["jpg", "webp"])
def test_a_photo_and_the_one_with_flash_a_moment_later_are_a_pair(
    tmp_path: Path, kind: str
) -> None:
    plain = photo(tmp_path, f"a.{kind}", "08:00:00")
    lit = photo(tmp_path, f"b.{kind}", "08:00:25", FIRED)
    late = photo(tmp_path, f"c.{kind}", "08:03:00", FIRED)
    assert pairs_in([plain, lit, late]) == {plain: lit}


def test_each_photo_is_used_once_and_the_nearest_in_time_wins(tmp_path: Path) -> None:
    first = photo(tmp_path, "a.jpg", "08:00:00")
    second = photo(tmp_path, "b.jpg", "08:00:30")
    lit = photo(tmp_path, "c.jpg", "08:00:40", FIRED)
    other = photo(tmp_path, "d.jpg", "08:00:50", FIRED)
    assert pairs_in([first, second, lit, other]) == {second: lit, first: other}


def test_photos_that_say_nothing_are_no_pair(tmp_path: Path) -> None:
    files = [
        photo(tmp_path, "a.jpg", None),
        photo(tmp_path, "b.jpg", None, FIRED),
        photo(tmp_path, "c.jpg", "08:00:00", None),
        photo(tmp_path, "d.jpg", "08:00:05", OFF),
    ]
    (tmp_path / "e.jpg").write_bytes(b"\xff\xd8\xff\xe1")
    assert pairs_in([*files, tmp_path / "e.jpg", tmp_path / "gone.jpg"]) == {}


def lit(folder: Path, name: str, *, flash: float, size: tuple[int, int] = (160, 120)) -> Path:
    """A level table without notes, so much of its light from a lamp at the lens (cos⁴ law)."""
    w, h = size
    y, x = np.mgrid[:h, :w]
    focal = 26 / 43.27 * np.hypot(w, h)
    r2 = ((x - (w - 1) / 2) ** 2 + (y - (h - 1) / 2) ** 2) / focal**2
    light = 0.4 * (1 - flash + flash / (1 + r2) ** 2)
    rgb = from_linear(np.repeat(light[..., None], 3, axis=2).astype(np.float32))
    Image.fromarray(rgb).save(folder / name, quality=95)
    return folder / name


def test_neighbours_that_lost_their_notes_are_a_pair_if_only_the_second_is_lit_from_the_lens(
    tmp_path: Path,
) -> None:
    plain, flash = lit(tmp_path, "a.jpg", flash=0.0), lit(tmp_path, "b.jpg", flash=0.95)
    later = lit(tmp_path, "c.jpg", flash=0.0)
    other = lit(tmp_path, "d.jpg", flash=0.95, size=(120, 160))
    assert pairs_in([plain, flash, later, other]) == {plain: flash}
    assert pairs_in([flash, plain, later]) == {}
    told = photo(tmp_path, "e.jpg", "08:00:00", OFF)
    assert pairs_in([plain, told, flash]) == {}
