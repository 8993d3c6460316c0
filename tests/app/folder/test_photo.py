"""The answer to one photo of a folder: what goes wrong is in its line, and costs nobody else."""

from __future__ import annotations

import hashlib
import io
import json
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

import vision.examine
from app.exit_codes import PhotoOutcome
from app.folder.photo import (
    OVERLAY_LONG_SIDE_PX,
    flash_bytes,
    grade_bytes,
    grade_file,
    killed,
    renamed,
    unread,
)
from app.request import Request
from rules.sheet import load_sheet
from tests.vision.drawn_examination import examination
from vision.types import Examination, Photo

REQUEST = Request(sheet=load_sheet("house"))


def jpeg(size: tuple[int, int] = (400, 300)) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, (176, 142, 108)).save(out, "JPEG")
    return out.getvalue()


@pytest.fixture(autouse=True)
def _drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Examinations are drawn, not measured."""

    def stand_in(photo: Photo, **_: Any) -> Examination:
        found = examination(size=(300, 400), pieces=1)
        return Examination(photo=photo, scale=found.scale, pieces=found.pieces)

    monkeypatch.setattr(vision.examine, "examine", stand_in)


def test_a_photo_is_known_by_the_hash_of_its_bytes() -> None:
    data = jpeg()
    told = grade_bytes("a.jpg", data, REQUEST)
    assert told.sha256 == hashlib.sha256(data).hexdigest()  # FIPS 180-4, Python's own
    line = json.loads(told.line)
    assert (line["photo"]["name"], line["photo"]["sha256"]) == ("a.jpg", told.sha256)
    assert told.outcome == PhotoOutcome.GRADED
    assert told.overlay is not None
    with Image.open(io.BytesIO(told.overlay)) as picture:
        assert picture.format == "JPEG"
        assert max(picture.size) <= OVERLAY_LONG_SIDE_PX


@pytest.mark.parametrize("data", [b"", b"no photo", jpeg()[:200]])
def test_what_is_no_photo_is_told_in_its_line_and_has_no_overlay(data: bytes) -> None:
    told = grade_bytes("a.jpg", data, REQUEST)
    line = json.loads(told.line)
    assert told.outcome == PhotoOutcome.UNREADABLE
    assert told.overlay is None and line["pieces"] == []
    assert line["problems"][0]["fix"]


def test_a_fault_of_ours_costs_this_photo_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(photo: Photo, **_: Any) -> Examination:
        raise ZeroDivisionError

    monkeypatch.setattr(vision.examine, "examine", broken)
    told = grade_bytes("a.jpg", jpeg(), REQUEST)
    assert told.outcome == PhotoOutcome.UNREADABLE
    assert json.loads(told.line)["problems"][0]["code"] == "internal"


def test_a_file_and_its_bytes_give_the_same(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg())
    assert grade_file(path, "a.jpg", REQUEST) == grade_bytes("a.jpg", jpeg(), REQUEST)


def test_a_file_that_went_away_is_told_by_its_name(tmp_path: Path) -> None:
    for told in (grade_file(tmp_path / "gone.jpg", "gone.jpg", REQUEST),
                 unread(tmp_path / "gone.jpg", REQUEST)):  # fmt: skip
        assert (told.name, told.sha256, told.outcome) == ("gone.jpg", "", PhotoOutcome.UNREADABLE)
        assert json.loads(told.line)["problems"][0]["code"] == "not_found"


def test_the_same_photo_under_another_name_differs_in_its_name_alone() -> None:
    one = grade_bytes("a.jpg", jpeg(), REQUEST)
    twin = renamed(one, "Kopie ü.jpg")
    before, after = json.loads(one.line), json.loads(twin.line)
    assert after["photo"].pop("name") == twin.name == "Kopie ü.jpg"
    assert before["photo"].pop("name") == "a.jpg"
    assert before == after
    assert twin.line.isascii() and twin.overlay == one.overlay
    assert renamed(one, "a.jpg") is one


def test_a_photo_that_took_its_process_down_is_told_so() -> None:
    told = killed("a.jpg")
    assert told.outcome == PhotoOutcome.UNREADABLE
    assert json.loads(told.line)["photo"]["name"] == "a.jpg"


def test_a_flash_photo_that_is_gone_is_none(tmp_path: Path) -> None:
    path = tmp_path / "f.jpg"
    path.write_bytes(b"bytes")
    assert flash_bytes(path) == ("f.jpg", b"bytes")
    path.unlink()
    assert flash_bytes(path) is None and flash_bytes(None) is None
