"""How do the records' rows and their plain values turn into each other, and which are asked for?"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields
from typing import Any, TypeVar

from sqlalchemy import Select, or_, select
from sqlalchemy.orm import Session, joinedload, selectinload

from app.records.codec import (
    findings_from_json,
    findings_to_json,
    grading_from_json,
    grading_to_json,
    place_from_json,
    place_to_json,
)
from app.records.errors import NoSuchRecordError
from app.records.models import (
    WORD_LENGTH,
    Base,
    BuyerRow,
    OutcomeRow,
    OwnCallRow,
    PhotoRow,
    PiecePhotoRow,
    PieceRow,
    TagRow,
    new_id,
)
from app.records.photos import EncodedPhoto
from app.records.stamp import stamp_of
from app.records.text import many_lines, one_line, word
from app.records.times import now_utc
from app.records.types import (
    BuyerRecord,
    NewPhoto,
    NewPiece,
    Outcome,
    OwnCall,
    PhotoRole,
    PiecePhoto,
    PieceRecord,
    SheetStamp,
)
from rules.engine import Grading
from rules.findings import Findings
from rules.table import RuleSheet

Row = TypeVar("Row", bound=Base)
Value = TypeVar("Value")

GONE = "It was deleted, perhaps in another window. Go back to the list."

# -- which rows -------------------------------------------------------------------


def whole_pieces() -> Select[PieceRow]:
    """Return the query for pieces with all that hangs on them."""
    return select(PieceRow).options(
        selectinload(PieceRow.photos).options(joinedload(PiecePhotoRow.photo)),
        selectinload(PieceRow.own_calls),
        selectinload(PieceRow.outcomes).options(joinedload(OutcomeRow.buyer)),
        selectinload(PieceRow.tags),
    )


def matching(
    query: Select[Any],
    *,
    tag: str | None = None,
    buyer_id: str | None = None,
    containing: str | None = None,
) -> Select[Any]:
    """Narrow a query of pieces down; :meth:`Records.pieces` says what each word means."""
    if tag is not None:
        query = query.where(PieceRow.tags.any(TagRow.tag == word(tag)))
    if buyer_id is not None:
        query = query.where(PieceRow.outcomes.any(OutcomeRow.buyer_id == buyer_id))
    if containing and containing.strip():
        wanted = containing.strip()
        query = query.where(
            or_(
                PieceRow.name.icontains(wanted, autoescape=True),
                PieceRow.notes.icontains(wanted, autoescape=True),
            )
        )
    return query


def find_row(session: Session, kind: type[Row], key: object, words: str) -> Row:
    """Return the row of this key; raises NoSuchRecordError, which calls it ``words``."""
    row = session.get(kind, key)
    if row is None:
        raise NoSuchRecordError(f"there is no such {words}", fix=GONE, where=str(key)[:80])
    return row


def known_hashes(session: Session) -> set[str]:
    """Return the hash of every photo that has a row."""
    return set(session.scalars(select(PhotoRow.sha256)))


# -- values to rows ---------------------------------------------------------------


def new_piece_row(piece: NewPiece) -> PieceRow:
    """Return the row of a piece just graded, its photos still to be attached."""
    moment = now_utc()
    row = PieceRow(
        id=new_id(),
        created_utc=moment,
        updated_utc=moment,
        name=one_line(piece.name),
        notes=many_lines(piece.notes),
        tags=[TagRow(tag=tag) for tag in clean_tags(piece.tags)],
    )
    set_grading(row, piece.findings, piece.grading, piece.sheet)
    return row


def set_grading(row: PieceRow, findings: Findings, grading: Grading, sheet: RuleSheet) -> None:
    """Set what is known of a piece, and by which rules."""
    stamp = stamp_of(sheet)
    row.findings, row.grading = findings_to_json(findings), grading_to_json(grading)
    row.sheet_id, row.sheet_title, row.sheet_hash = stamp.id, stamp.title, stamp.hash
    repeat_what_is_found(row, findings, grading)


def repeat_what_is_found(row: PieceRow, findings: Findings, grading: Grading) -> None:
    """Set the columns that repeat the JSON."""
    row.suggested, row.form = grading.suggested, str(findings.form.value)
    finish = findings.finish
    row.tarnish_level = None if finish is None else float(finish.tarnish_level.value)


def piece_photo_row(photo: NewPhoto, *, sha256: str, position: int) -> PiecePhotoRow:
    """Return the row that ties a stored photo to its piece."""
    return PiecePhotoRow(
        photo_sha256=sha256,
        position=position,
        name=one_line(photo.name),
        role=str(photo.role),
        place=None if photo.place is None else place_to_json(photo.place),
        findings=None if photo.findings is None else findings_to_json(photo.findings),
        reference=None if photo.reference is None else photo.reference[:WORD_LENGTH],
    )


def photo_row(encoded: EncodedPhoto) -> PhotoRow:
    """Return the row of a stored photo."""
    return PhotoRow(
        sha256=encoded.sha256,
        kind=encoded.kind,
        width_px=encoded.width_px,
        height_px=encoded.height_px,
        added_utc=now_utc(),
    )


def clean_tags(tags: Iterable[str]) -> list[str]:
    """Return tags as they are kept: small letters, each once, sorted."""
    return sorted({tag for tag in map(word, tags) if tag})


# -- rows to plain values ---------------------------------------------------------


def piece_record(row: PieceRow) -> PieceRecord:
    """Return a row with all that hangs on it as a plain value."""
    return value_of(
        PieceRecord,
        row,
        findings=findings_from_json(row.findings),
        grading=grading_from_json(row.grading),
        sheet=SheetStamp(id=row.sheet_id, title=row.sheet_title, hash=row.sheet_hash),
        tags=tuple(tag.tag for tag in row.tags),
        photos=tuple(map(piece_photo, row.photos)),
        own_calls=tuple(map(own_call, row.own_calls)),
        outcomes=tuple(map(outcome_of, row.outcomes)),
    )


def value_of(kind: type[Value], row: Base, **given: object) -> Value:
    """Return a dataclass with the fields of a row of the same names; ``given`` are the others."""
    names = (field.name for field in fields(kind))  # type: ignore[arg-type]
    return kind(**{name: given[name] if name in given else getattr(row, name) for name in names})


def piece_photo(row: PiecePhotoRow) -> PiecePhoto:
    """Return a piece's photo as a plain value."""
    return value_of(
        PiecePhoto,
        row,
        sha256=row.photo_sha256,
        width_px=row.photo.width_px,
        height_px=row.photo.height_px,
        role=PhotoRole(row.role),
        place=None if row.place is None else place_from_json(row.place),
        findings=None if row.findings is None else findings_from_json(row.findings),
    )


def own_call(row: OwnCallRow) -> OwnCall:
    """Return what a person said as a plain value."""
    return value_of(OwnCall, row)


def outcome_of(row: OutcomeRow) -> Outcome:
    """Return what a buyer made of a piece as a plain value."""
    return value_of(Outcome, row, buyer_name=row.buyer.name)


def buyer_of(row: BuyerRow) -> BuyerRecord:
    """Return a buyer as a plain value."""
    return value_of(BuyerRecord, row)
