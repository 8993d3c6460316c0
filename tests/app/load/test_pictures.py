"""A recorded piece cut out of its photo, looked at pixel by pixel."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from app.load.pictures import LONG_SIDE_PX, MARGIN_SHARE, picture_of
from app.opening import open_records
from app.records import NewPhoto, PlaceOnPhoto, Records
from tests.app.records.pieces import new_piece

TABLE, PIECE = (40, 90, 200), (200, 120, 60)
BOX = (200, 150, 100, 60)


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    with open_records(tmp_path) as found:
        yield found


def saved(records: Records, place: PlaceOnPhoto | None) -> tuple[str, str]:
    rgb = np.full((400, 600, 3), TABLE, np.uint8)
    x, y, w, h = BOX
    rgb[y : y + h, x : x + w] = PIECE
    photo = NewPhoto(rgb=rgb, place=place, lossless=True)
    record = records.save_pieces([replace(new_piece(), photos=(photo,))])[0]
    return record.photos[0].sha256, record.id


def decoded(data: bytes | None) -> np.ndarray:
    assert data is not None
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)


def test_the_piece_fills_the_picture_but_for_its_margin(records: Records) -> None:
    picture = decoded(picture_of(records, *saved(records, PlaceOnPhoto(box_px=BOX))))
    _, _, w, h = BOX
    margin = MARGIN_SHARE * max(w, h)
    assert max(picture.shape[:2]) == LONG_SIDE_PX
    shape = (h + 2 * margin) / (w + 2 * margin)
    assert picture.shape[0] / picture.shape[1] == pytest.approx(shape, abs=0.02)
    scale = LONG_SIDE_PX / (w + 2 * margin)
    left, top = int(margin * scale), int(margin * scale)
    assert picture[picture.shape[0] // 2, picture.shape[1] // 2] == pytest.approx(PIECE, abs=12)
    assert picture[top // 2, left // 2] == pytest.approx(TABLE, abs=12)
    # The edge stands where the box has it.
    reds = picture[picture.shape[0] // 2, :, 0]
    assert int(np.argmax(reds > 120)) == pytest.approx(left, abs=3)


def test_outline_and_widths_are_drawn_light_on_dark(records: Records) -> None:
    x, y, w, h = BOX
    corners = ((x, y), (x + w, y), (x + w, y + h), (x, y + h))
    width = (((x + w / 2, float(y)), (x + w / 2, float(y + h))),)
    place = PlaceOnPhoto(
        box_px=BOX, outline_px=tuple((float(a), float(b)) for a, b in corners),
        measured_lines_px=width,
    )  # fmt: skip
    picture = decoded(picture_of(records, *saved(records, place)))
    bare = decoded(picture_of(records, *saved(records, PlaceOnPhoto(box_px=BOX))))
    drawn = np.abs(picture - bare).max(axis=2) > 60
    middle = drawn[picture.shape[0] // 2]
    # Left side, the measured width, right side: three strokes and nothing between.
    strokes = np.flatnonzero(np.diff(np.concatenate([[0], middle.astype(int)])) == 1)
    assert len(strokes) == 3
    assert strokes[1] == pytest.approx(picture.shape[1] / 2, abs=4)
    assert picture[drawn].max() > 220
    assert picture[drawn].min() < 60


def test_a_piece_at_the_photos_corner_is_cut_to_the_photo(records: Records) -> None:
    picture = decoded(picture_of(records, *saved(records, PlaceOnPhoto(box_px=(0, 0, 600, 400)))))
    assert picture.shape[:2] == (LONG_SIDE_PX * 400 // 600, LONG_SIDE_PX)


def test_without_a_place_or_a_record_the_whole_photo_is_shown(records: Records) -> None:
    sha256, record = saved(records, None)
    for picture in (picture_of(records, sha256, record), picture_of(records, sha256, None)):
        assert decoded(picture).shape[1] / decoded(picture).shape[0] == pytest.approx(1.5, abs=0.01)


def test_a_photo_that_is_gone_is_none(records: Records) -> None:
    sha256, record = saved(records, PlaceOnPhoto(box_px=BOX))
    records.photos.remove(sha256, "png")
    assert picture_of(records, sha256, record) is None
    assert picture_of(records, "0" * 64, None) is None
    records.delete_piece(record)
    assert picture_of(records, sha256, record) is None
