"""What the records give and take: plain values that hold no connection.

Every time is a ``datetime`` with the time zone UTC. Every pixel is one of the STORED
photo, which has the size of the photo as examined (orientation applied), so outlines
stay right.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from enum import StrEnum
from typing import TYPE_CHECKING

from rules.engine import Grading
from rules.findings import Findings, What
from rules.table import RuleSheet

if TYPE_CHECKING:
    from app.grading import Result
    from vision.types import Examination, Image, PieceReading

CONFIRMED = "confirmed"
"""Tag of a piece whose grade somebody vouches for: it may teach and be compared with."""

Box = tuple[int, int, int, int]
Point = tuple[float, float]


class PhotoRole(StrEnum):
    """What a photo of a piece shows."""

    PLAIN = "plain"
    AFTER = "after"
    FLASH = "flash"


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceOnPhoto:
    """Where a piece is on its photo, for drawing it again.

    Attributes:
        box_px: ``(x, y, width, height)``.
        outline_px: Outer outline, ``(x, y)`` each.
        brass_boxes_px: Boxes of suspected brass.
        solder_boxes_px: Boxes of suspected solder.
        measured_lines_px: Both ends of each width that was measured.
        core_boxes_px: With the flash, the middle of its highlight.
        ring_boxes_px: The metal round that.
        told: What the highlight says, in words.
    """

    box_px: Box
    outline_px: tuple[Point, ...] = ()
    brass_boxes_px: tuple[Box, ...] = ()
    solder_boxes_px: tuple[Box, ...] = ()
    measured_lines_px: tuple[tuple[Point, Point], ...] = ()
    core_boxes_px: tuple[Box, ...] = ()
    ring_boxes_px: tuple[Box, ...] = ()
    told: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NewPhoto:
    """A photo to be stored with a piece.

    Attributes:
        rgb: ``(height, width, 3)`` uint8, upright, sRGB.
        name: What the person called it; shown, never used as a path.
        role: What it shows.
        place: Where the piece is on it.
        findings: What this photo alone says of the piece.
        reference: Key of the reference object, None without one.
        lossless: Store as PNG (drawings, screenshots) instead of JPEG.
    """

    rgb: Image
    name: str = ""
    role: PhotoRole = PhotoRole.PLAIN
    place: PlaceOnPhoto | None = None
    findings: Findings | None = None
    reference: str | None = None
    lossless: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NewPiece:
    """A graded piece to be recorded.

    Attributes:
        findings: What the rules saw: of several photos, pooled.
        grading: What they said.
        sheet: The sheet they used; its name and hash are kept.
        photos: None for a piece typed by hand.
    """

    findings: Findings
    grading: Grading
    sheet: RuleSheet
    photos: tuple[NewPhoto, ...] = ()
    name: str = ""
    notes: str = ""
    tags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetStamp:
    """Which rule sheet graded a piece: its name, title and the hash of all its rows."""

    id: str
    title: str
    hash: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PiecePhoto:
    """One stored photo of a piece; the bytes come from ``Records.photo_bytes(sha256)``."""

    id: str
    sha256: str
    width_px: int
    height_px: int
    name: str
    role: PhotoRole
    place: PlaceOnPhoto | None
    findings: Findings | None
    reference: str | None
    added_utc: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnCall:
    """What a person said of a piece.

    Attributes:
        grade: Grade id they named.
        blind: True where they had not seen the tool's answer yet.
        who: Their name, as they gave it.
        tarnish_level: The level they named, 0 to 1, if they did.
    """

    id: str
    grade: str
    blind: bool
    who: str
    tarnish_level: float | None
    called_utc: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a buyer made of a piece.

    Attributes:
        grade: Grade id they paid as, None where only the money is known.
        paid: Money for this piece, None where unknown.
        currency: Three letters (ISO 4217) with ``paid``.
        weight_kg: Weight on their scale, None where unknown.
    """

    id: str
    buyer_id: str
    buyer_name: str
    grade: str | None
    paid: Decimal | None
    currency: str | None
    weight_kg: float | None
    note: str
    told_utc: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class BuyerRecord:
    """Somebody who buys."""

    id: str
    name: str
    notes: str
    created_utc: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceRecord:
    """One recorded piece, whole.

    Attributes:
        findings: What the rules saw; ``findings.facts`` is what the person stated.
        photos: In the order they were added.
        own_calls: Oldest first.
        outcomes: Oldest first.
        tags: Sorted.
    """

    id: str
    created_utc: datetime
    updated_utc: datetime
    name: str
    findings: Findings
    grading: Grading
    sheet: SheetStamp
    notes: str = ""
    tags: tuple[str, ...] = ()
    photos: tuple[PiecePhoto, ...] = ()
    own_calls: tuple[OwnCall, ...] = ()
    outcomes: tuple[Outcome, ...] = field(default=())

    @property
    def is_confirmed(self) -> bool:
        """Whether somebody vouches for its grade."""
        return CONFIRMED in self.tags

    @property
    def true_grade(self) -> str | None:
        """The grade it is known to have: as last paid, else as suggested if confirmed."""
        paid = [outcome.grade for outcome in self.outcomes if outcome.grade is not None]
        if paid:
            return paid[-1]
        return self.grading.suggested if self.is_confirmed else None


def place_of(reading: PieceReading) -> PlaceOnPhoto:
    """Return where a piece is on its photo, from its reading."""
    return PlaceOnPhoto(
        box_px=box_of(reading.region.box_px),
        outline_px=tuple((float(x), float(y)) for x, y in reading.region.outline_px),
        brass_boxes_px=tuple(map(box_of, reading.boxes_px.get(What.BRASS, ()))),
        solder_boxes_px=tuple(map(box_of, reading.boxes_px.get(What.SOLDER, ()))),
        measured_lines_px=tuple(
            ((float(a[0]), float(a[1])), (float(b[0]), float(b[1])))
            for a, b in reading.measured_lines_px
        ),
    )


def new_pieces_of(result: Result, sheet: RuleSheet) -> tuple[NewPiece, ...]:
    """Return all pieces of a graded photo (or of typed findings), ready to be saved."""
    examination = result.examination
    found = []
    for number, piece in enumerate(result.pieces):
        photos: tuple[NewPhoto, ...] = ()
        if examination is not None:
            photos = (
                NewPhoto(
                    rgb=examination.photo.rgb,
                    name=examination.photo.name,
                    place=None if piece.reading is None else place_of(piece.reading),
                    findings=piece.findings,
                    reference=None if examination.scale is None else examination.scale.reference,
                ),
                *_with_flash(examination, number),
            )
        found.append(
            NewPiece(
                findings=piece.findings,
                grading=piece.grading,
                sheet=sheet,
                photos=photos,
                name=piece.name or "",
            )
        )
    return tuple(found)


def _with_flash(examination: Examination, number: int) -> Iterator[NewPhoto]:
    """Give the second photo of a piece, if it was found again there."""
    again = None if examination.flash is None else examination.flash.pieces[number]
    if examination.flash is None or again is None:
        return
    yield NewPhoto(
        rgb=examination.flash.photo.rgb,
        name=examination.flash.photo.name,
        role=PhotoRole.FLASH,
        place=PlaceOnPhoto(
            box_px=box_of(again.box_px),
            outline_px=tuple((float(x), float(y)) for x, y in again.outline_px),
            core_boxes_px=tuple(map(box_of, again.core_px)),
            ring_boxes_px=tuple(map(box_of, again.ring_px)),
            told=again.evidence.note,
        ),
    )


def box_of(box: Iterable[float]) -> Box:
    """Return ``(x, y, width, height)`` as whole numbers of Python's own."""
    x, y, width, height = (int(value) for value in box)
    return x, y, width, height
