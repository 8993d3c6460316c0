"""A piece in both photos: both looks whole, a wide piece's one above the other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.drawn_examination import examination
from vision.flash.types import FlashEvidence, FlashPiece, FlashReading
from vision.picture.side_by_side import GAP_PX, PANEL_PX, Look, looks_of, side_by_side
from vision.picture.tones import UNSURE


def look(box: tuple[int, int, int, int], *, shade: int, core: bool = False) -> Look:
    x, y, w, h = box
    corners = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]], np.float64)
    return Look(
        rgb=np.full((900, 1200, 3), shade, np.uint8),
        box_px=box,
        outline_px=corners,
        title="without flash",
        core_px=((x + w // 3, y + h // 3, w // 4, h // 4),) if core else (),
    )


@pytest.mark.parametrize(
    ("box", "below"), [((100, 300, 800, 90), True), ((300, 60, 90, 700), False)]
)
def test_a_wide_piece_stands_above_and_a_high_one_beside(
    box: tuple[int, int, int, int], below: bool
) -> None:
    drawn = side_by_side(look(box, shade=90), look(box, shade=40, core=True))
    long, short = (1, 0) if below else (0, 1)
    assert drawn.shape[long] == PANEL_PX
    half = (drawn.shape[short] - GAP_PX) // 2
    first, second = (drawn[:half], drawn[-half:]) if below else (drawn[:, :half], drawn[:, -half:])
    assert np.median(first) == 90 and np.median(second) == 40
    marked = (np.abs(second.astype(int) - UNSURE).max(axis=-1) < 30).sum()
    assert marked > 100 > (np.abs(first.astype(int) - UNSURE).max(axis=-1) < 30).sum()


def test_a_piece_at_the_photos_edge_is_shown_as_far_as_it_goes() -> None:
    at_edge = look((0, 0, 40, 30), shade=90)
    drawn = side_by_side(at_edge, at_edge)
    assert drawn.dtype == np.uint8 and min(drawn.shape[:2]) > 200


def test_a_second_photo_that_does_not_show_the_piece_gives_no_pair() -> None:
    plain = examination(size=(600, 800), pieces=2)
    assert looks_of(plain, 0) is None, "there is no second photo"
    flash = FlashReading(
        photo=replace(plain.photo, rgb=plain.photo.rgb // 2), p=0.9, pieces=(None, again())
    )
    pair = replace(plain, flash=flash)
    assert looks_of(pair, 0) is None
    looks = looks_of(pair, 1)
    assert looks is not None
    assert [look.title for look in looks] == ["without flash", "with flash"]
    assert looks[0].box_px == plain.pieces[1].region.box_px
    assert looks[1].core_px == again().core_px
    assert looks[1].rgb is flash.photo.rgb


def again() -> FlashPiece:
    return FlashPiece(
        box_px=(80, 120, 380, 60),
        outline_px=np.array([[80.0, 120], [460, 120], [460, 180], [80, 180]]),
        overlap=0.9,
        evidence=FlashEvidence(log_ratio={}, note=""),
        core_px=((200, 130, 60, 30),),
        ring_px=((180, 125, 100, 45),),
    )


@pytest.mark.parametrize("size", [(60, 40), (900, 700)])
def test_a_small_piece_is_shown_as_large_as_a_large_one(size: tuple[int, int]) -> None:
    w, h = size
    one = look((100, 60, w, h), shade=90)
    drawn = side_by_side(one, one)
    assert max(drawn.shape[1], (drawn.shape[0] - GAP_PX) // 2) == pytest.approx(PANEL_PX, abs=2)
