"""What a record is known to be, and what is kept of a graded photo."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from app.grading import grade_examination
from app.records.codec import place_from_json, place_to_json
from app.records.types import (
    CONFIRMED,
    Outcome,
    PhotoRole,
    PieceRecord,
    SheetStamp,
    box_of,
    new_pieces_of,
    place_of,
)
from app.request import Request
from rules.findings import What
from rules.sheet import load_sheet
from tests.app.records.pieces import FINDINGS, GRADING
from tests.vision.drawn_examination import examination
from vision.flash.types import FlashEvidence, FlashPiece, FlashReading
from vision.types import PieceReading, Region

NOW = datetime(2026, 1, 1, tzinfo=UTC)
RECORD = PieceRecord(
    id="a", created_utc=NOW, updated_utc=NOW, name="pipe", findings=FINDINGS, grading=GRADING,
    sheet=SheetStamp(id="house", title="House", hash="0" * 64),
)  # fmt: skip


def paid_as(grade: str | None) -> Outcome:
    return Outcome(
        id="o", buyer_id="b", buyer_name="Yard", grade=grade, paid=None, currency=None,
        weight_kg=None, note="", told_utc=NOW,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("tags", "paid", "expected"),
    [
        ((), (), None),
        ((CONFIRMED,), (), GRADING.suggested),
        ((CONFIRMED,), ("no2",), "no2"),  # the scale has the last word
        ((), ("no2", "no1"), "no1"),  # as last paid
        ((), ("no2", None), "no2"),  # money alone says no grade
        ((), (None,), None),
    ],
)
def test_a_grade_is_known_as_last_paid_or_as_confirmed(
    tags: tuple[str, ...], paid: tuple[str | None, ...], expected: str | None
) -> None:
    record = replace(RECORD, tags=tags, outcomes=tuple(map(paid_as, paid)))
    assert record.true_grade == expected


def test_a_place_holds_pythons_own_numbers_which_json_can_write() -> None:
    reading = PieceReading(
        region=Region(
            box_px=tuple(np.array([3, 4, 30, 20])),
            mask=np.ones((20, 30), bool),
            outline_px=np.array([[3.25, 4.5], [33.0, 4.0], [33.0, 24.0]], np.float32),
            score=0.9,
        ),
        findings=FINDINGS,
        boxes_px={What.BRASS: ((np.int64(5), 6, 7, 8),)},  # type: ignore[dict-item]
        measured_lines_px=np.array([[[1.0, 2.0], [3.0, 4.0]]]),
    )
    place = place_of(reading)
    assert place.outline_px == ((3.25, 4.5), (33.0, 4.0), (33.0, 24.0))
    assert place.brass_boxes_px == ((5, 6, 7, 8),)
    assert place.solder_boxes_px == ()
    assert place.measured_lines_px == (((1.0, 2.0), (3.0, 4.0)),)
    assert {type(v) for v in (*place.box_px, *place.brass_boxes_px[0])} == {int}
    assert {type(v) for point in place.outline_px for v in point} == {float}


def test_a_box_has_four_numbers() -> None:
    assert box_of(np.array([1.0, 2.0, 3.0, 4.0])) == (1, 2, 3, 4)
    with pytest.raises(ValueError, match="unpack"):
        box_of([1, 2, 3])


def test_the_second_photo_of_a_pair_is_kept_with_what_its_highlight_says() -> None:
    seen = examination(size=(480, 640), pieces=2, scale=True)
    lit = replace(seen.photo, name="lit.jpg")
    again = FlashPiece(
        box_px=(5, 6, 70, 80),
        outline_px=np.array([[5.0, 6.0], [75.0, 6.0], [75.0, 86.0]], np.float32),
        overlap=0.9,
        evidence=FlashEvidence(log_ratio={What.COATING: 1.5}, note="white to its middle"),
        core_px=((20, 30, 5, 6),),
        ring_px=((15, 20, 30, 40),),
    )
    both = replace(seen, flash=FlashReading(photo=lit, p=0.99, pieces=(again, None)))
    request = Request(sheet=load_sheet("house"))
    first, second = new_pieces_of(grade_examination(both, request), request.sheet)
    assert [photo.role for photo in second.photos] == [PhotoRole.PLAIN]
    plain, flash = first.photos
    assert (plain.role, flash.role, flash.name) == (PhotoRole.PLAIN, PhotoRole.FLASH, "lit.jpg")
    assert flash.findings is None  # it counts in the first photo's odds, not once more
    assert flash.place is not None
    assert place_from_json(place_to_json(flash.place)) == flash.place
    assert flash.place.told == "white to its middle"
    assert flash.place.core_boxes_px == ((20, 30, 5, 6),)
