"""What of a file of records is new here, and which rows does it become?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from math import isfinite
from typing import TYPE_CHECKING, Any

from sqlalchemy import Boolean, Column, Float, Integer, Table, insert, select, update
from sqlalchemy.orm import Session
from sqlalchemy.sql.schema import ScalarElementColumnDefault

from app.records.archive.checks import check_all, check_row
from app.records.archive.contents import FIX, LONGEST_TOLD, Archive, PhotoEntry, Plain, other_tables
from app.records.archive.unpack import Photos
from app.records.codec import findings_to_json, grading_to_json, place_to_json, typed
from app.records.errors import BadArchiveError, RecordsError
from app.records.mending import reserve
from app.records.models import (
    ExactDecimal,
    OutcomeRow,
    OwnCallRow,
    PhotoRow,
    PiecePhotoRow,
    PieceRow,
    TagRow,
    UtcTime,
)
from app.records.rows import repeat_what_is_found
from app.records.text import many_lines, one_line, unturned, word
from app.records.times import now_utc
from app.records.types import PieceRecord
from rules.errors import CuproscopeError

if TYPE_CHECKING:
    from app.records.store import Records


_LARGEST_WHOLE = 2**31  # what a database's INTEGER holds everywhere


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What an import did.

    Attributes:
        added: Pieces that were not there.
        updated: Pieces that were there and got something newer or more.
        unchanged: Pieces that were there with all of it.
        photos: Photos that were not there.
        other_rows: Rows of other tables (buyers, practice, ...) added or updated.
    """

    added: int
    updated: int
    unchanged: int
    photos: int
    other_rows: int


class Import:
    """One import inside one transaction."""

    def __init__(
        self,
        records: Records,
        session: Session,
        content: Archive,
        photos: Photos,
    ) -> None:
        self.records, self.session, self.content = records, session, content
        self.photos = photos
        self.renamed: dict[str, dict[str, str]] = {"photo": dict(photos.hashes)}  # a table's ids
        self.other_rows = 0

    def run(self) -> Imported:
        """Write what is new or newer, and say how much that was."""
        unknown = set(self.content.tables) - {table.name for table in other_tables()}
        if unknown:
            raise BadArchiveError(
                "holds tables that this version doesn't know",
                fix="Import it with the version of the program that wrote it, or a newer one.",
                where=min(unknown)[:80],
            )
        photos = self._photos()
        after = []
        for table in other_tables():
            if _points_to_pieces(table):
                after.append(table)
            else:
                self._table(table)
        counts = {"added": 0, "updated": 0, "unchanged": 0}
        for piece in self.content.pieces:
            counts[self._piece(piece)] += 1
        self.session.flush()
        for table in after:
            self._table(table)
        try:
            check_all(self.session)
        except CuproscopeError as fault:
            raise BadArchiveError(
                f"does not go together with what is here: {fault.message}",
                fix="Nothing was taken in. Rename or remove the one here first, or import the "
                "file where there is none.",
                where=fault.where,
            ) from fault
        return Imported(**counts, photos=photos, other_rows=self.other_rows)

    def _photos(self) -> int:
        """Write the photos' rows, should they have gone meanwhile; return how many are new."""
        lost = 0
        for sha256, photo in self.photos.kept.items():
            is_lost = isinstance(photo, PhotoEntry)
            if not is_lost and not self.records.photos.path_of(sha256, photo.kind).exists():
                raise RecordsError("a photo was deleted meanwhile", fix="Import the file again.")
            row = PhotoRow(
                sha256=sha256,
                kind=photo.kind,
                width_px=photo.width_px,
                height_px=photo.height_px,
                added_utc=now_utc(),
            )
            is_new = reserve(self.session, row)
            lost += is_lost and is_new
        self.session.flush()
        return lost + self.photos.new

    def _piece(self, piece: PieceRecord) -> str:
        row = self.session.get(PieceRow, piece.id)
        verdict = "unchanged"
        if row is None:
            row = PieceRow(id=piece.id, created_utc=piece.created_utc)
            row.updated_utc = piece.updated_utc
            _set_scalars(row, piece)
            self.session.add(row)
            verdict = "added"
        elif piece.updated_utc > row.updated_utc:
            row.updated_utc = piece.updated_utc
            _set_scalars(row, piece)
            verdict = "updated"
        if self._children(row, piece) and verdict == "unchanged":
            verdict = "updated"
        return verdict

    def _children(self, row: PieceRow, piece: PieceRecord) -> bool:
        """Add what the piece lacks; return whether anything was added."""
        photos = {photo.id for photo in row.photos}
        position = 1 + max((photo.position for photo in row.photos), default=-1)
        new_photos = [
            PiecePhotoRow(
                id=photo.id,
                photo_sha256=self.photos.hashes[photo.sha256],
                name=one_line(photo.name),
                role=str(photo.role),
                place=None if photo.place is None else place_to_json(photo.place),
                findings=None if photo.findings is None else findings_to_json(photo.findings),
                reference=photo.reference,
                added_utc=photo.added_utc,
            )
            for photo in piece.photos
            if photo.id not in photos
        ]
        for offset, photo in enumerate(new_photos):
            photo.position = position + offset
        row.photos.extend(new_photos)
        calls = {call.id for call in row.own_calls}
        new_calls = [
            OwnCallRow(
                id=call.id,
                grade=call.grade,
                blind=call.blind,
                who=one_line(call.who),
                tarnish_level=call.tarnish_level,
                called_utc=call.called_utc,
            )
            for call in piece.own_calls
            if call.id not in calls
        ]
        row.own_calls.extend(new_calls)
        outcomes = {outcome.id for outcome in row.outcomes}
        buyers = self.renamed.get("buyer", {})
        new_outcomes = [
            OutcomeRow(
                id=outcome.id,
                buyer_id=buyers.get(outcome.buyer_id, outcome.buyer_id),
                grade=outcome.grade,
                paid=outcome.paid,
                currency=outcome.currency,
                weight_kg=outcome.weight_kg,
                note=many_lines(outcome.note),
                told_utc=outcome.told_utc,
            )
            for outcome in piece.outcomes
            if outcome.id not in outcomes
        ]
        row.outcomes.extend(new_outcomes)
        tags = {tag.tag for tag in row.tags}
        new_tags = {tag for tag in map(word, piece.tags) if tag} - tags
        row.tags.extend(TagRow(tag=tag) for tag in sorted(new_tags))
        return bool(new_photos or new_calls or new_outcomes or new_tags)

    def _table(self, table: Table) -> None:
        keys = [column.name for column in table.primary_key]
        for number, raw in enumerate(self.content.tables.get(table.name, ())):
            values = self._checked(table, number, raw)
            merged = self._same_name(table, values)
            if merged is not None:
                self.renamed.setdefault(table.name, {})[str(values["id"])] = merged
                values["id"] = merged
            where = [table.c[key] == values[key] for key in keys]
            there = self.session.execute(select(table).where(*where)).mappings().one_or_none()
            if there is None:
                self.session.execute(insert(table).values(**values))
                self.other_rows += 1
            elif "updated_utc" in values and values["updated_utc"] > there["updated_utc"]:
                self.session.execute(update(table).where(*where).values(**values))
                self.other_rows += 1

    def _checked(self, table: Table, number: int, raw: Mapping[str, object]) -> Plain:
        """Return a row's cells, read once as whoever owns the table reads them."""
        try:
            values = self._values(table, raw)
            check_row(table.name, values)
        except (CuproscopeError, ValueError, TypeError) as fault:
            told = (getattr(fault, "message", "") or str(fault))[:LONGEST_TOLD]
            inside = getattr(fault, "where", None)
            place = ", ".join(filter(None, (f"{table.name} no. {number + 1}", inside)))
            raise BadArchiveError(told, fix=FIX, where=place) from fault
        return values

    def _same_name(self, table: Table, values: Plain) -> str | None:
        """Return the id of a row of the same name that has another id."""
        if "name_key" not in table.c or "id" not in table.c:
            return None
        same = select(table.c.id).where(table.c.name_key == values["name_key"])
        found = self.session.execute(same).scalar_one_or_none()
        return str(found) if found is not None and found != values["id"] else None

    def _values(self, table: Table, raw: Mapping[str, object]) -> Plain:
        """Return a row's cells as its columns want them, ids renamed where they were."""
        names = {column.name for column in table.c}
        # A column that came later has a default: files of before know nothing of it.
        later = dict(one for column in table.c for one in _default_of(column))
        if set(raw) - names or names - set(raw) - set(later):
            raise BadArchiveError("holds a row that this version doesn't know", where=table.name)
        values: Plain = {}
        for column in table.c:
            value = _cell(column, {**later, **raw}[column.name])
            for key in column.foreign_keys:
                target = key.column.table.name
                value = self.renamed.get(target, {}).get(value, value)
            if column.name in ("name", "name_key"):  # files of before kept what turns text
                value = unturned(str(value))
            values[column.name] = value
        return values


def _set_scalars(row: PieceRow, piece: PieceRecord) -> None:
    row.name, row.notes = one_line(piece.name), many_lines(piece.notes)
    row.findings, row.grading = findings_to_json(piece.findings), grading_to_json(piece.grading)
    row.sheet_id, row.sheet_title = piece.sheet.id, piece.sheet.title
    row.sheet_hash = piece.sheet.hash
    repeat_what_is_found(row, piece.findings, piece.grading)


def _points_to_pieces(table: Table) -> bool:
    targets = {key.column.table.name for key in table.foreign_keys}
    return bool(targets & {"piece", "piece_photo", "photo"}) or any(
        _points_to_pieces(key.column.table)
        for key in table.foreign_keys
        if key.column.table is not table
    )


def _default_of(column: Column[Any]) -> list[tuple[str, object]]:
    """Return a column's name and default where it was added to a table that was there before."""
    default = column.default
    if column.server_default is None or not isinstance(default, ScalarElementColumnDefault):
        return []
    return [(column.name, default.arg)]


def _cell(column: Column[Any], value: object) -> Any:  # noqa: ANN401 (as many types as columns)
    if value is None:
        if not column.nullable:
            raise BadArchiveError(f"{column.name} is missing", fix=FIX, where=column.table.name)
        return None
    kinds = (
        (UtcTime, datetime),
        (ExactDecimal, Decimal),
        (Boolean, bool),
        (Integer, int),
        (Float, float),
    )
    hint = next((hint for kind, hint in kinds if isinstance(column.type, kind)), str)
    try:
        cell = typed(value, hint)
    except (TypeError, ValueError, OverflowError) as fault:
        where = f"{column.table.name}.{column.name}"
        raise BadArchiveError(str(fault), fix=FIX, where=where) from fault
    endless = isinstance(cell, float) and not isfinite(cell)
    if endless or (isinstance(cell, int) and abs(cell) >= _LARGEST_WHOLE):
        raise BadArchiveError("holds an endless number", fix=FIX, where=column.table.name)
    longest = getattr(column.type, "length", None)
    if isinstance(cell, str) and longest is not None and len(cell) > longest:
        raise BadArchiveError("is too long", fix=FIX, where=column.table.name)
    return cell
