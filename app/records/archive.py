"""All records in one file, and back without loss.

A ``.zip`` with ``records.json`` (schema ``cuproscope.records/1``) and the photos as
``photos/HASH.jpg`` or ``.png``. Importing takes nothing on trust: every name, size,
hash and value is checked before anything is written, nothing is unpacked by its name,
and the rows come in one transaction. Importing the same file again changes nothing.
"""

from __future__ import annotations

import hashlib
import io
import json
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal
from math import isfinite
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from sqlalchemy import Boolean, Column, Float, Integer, Table, insert, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from app.files import write_whole
from app.records.clean import is_bare_picture
from app.records.codec import (
    findings_to_json,
    grading_to_json,
    place_to_json,
    plain,
    read_json,
    typed,
)
from app.records.errors import BadArchiveError, PhotoLostError, RecordsError
from app.records.models import (
    NAME_LENGTH,
    WORD_LENGTH,
    Base,
    ExactDecimal,
    OutcomeRow,
    OwnCallRow,
    PhotoRow,
    PiecePhotoRow,
    PieceRow,
    TagRow,
    UtcTime,
)
from app.records.photos import (
    MAX_STORED_BYTES,
    SUFFIX_OF_KIND,
    EncodedPhoto,
    encode_photo,
    is_hash,
)
from app.records.rows import piece_record, repeat_what_is_found, whole_pieces
from app.records.store import LARGEST_PAID
from app.records.text import many_lines, one_line, word
from app.records.times import now_utc
from app.records.types import PieceRecord
from rules.errors import CuproscopeError

if TYPE_CHECKING:
    from app.records.store import Records

SCHEMA = "cuproscope.records/1"
JSON_NAME = "records.json"

MAX_JSON_BYTES = 512 * 2**20
"""Largest ``records.json``: some ten thousand pieces with their outlines."""

MAX_MEMBERS = 200_000
MAX_TOTAL_BYTES = 64 * 2**30
"""Most that all photos of a file may take once unpacked."""

_LARGEST_SIDE_PX = 2**20
_LARGEST_WHOLE = 2**31  # what a database's INTEGER holds everywhere
_BATCH = 200
_ID = re.compile(r"[0-9a-f]{32}")
_MEMBER = re.compile(r"photos/([0-9a-f]{64})\.(jpg|png)")
_EXPORTED_TIME = (
    1980,
    1,
    1,
    0,
    0,
    0,
)  # the earliest a zip can say: the same records, the same file
_OWN_TABLES = ("meta", "photo", "piece", "piece_photo", "own_call", "outcome", "tag")
_FIX = "Give a file that this program exported, whole and unchanged."

# What ``zipfile`` was seen to raise on damaged files, besides its own error.
_DAMAGE = (
    zipfile.BadZipFile,
    zipfile.LargeZipFile,
    zlib.error,
    struct.error,
    ArithmeticError,
    EOFError,
    LookupError,
    MemoryError,
    OSError,
    RuntimeError,  # also NotImplementedError
    ValueError,
)

Plain = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What an export holds; ``lost_photos`` are hashes whose files were gone or changed."""

    pieces: int
    photos: int
    lost_photos: tuple[str, ...] = ()


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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Photo:
    sha256: str
    kind: str
    width_px: int
    height_px: int
    added_utc: datetime
    lost: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Archive:
    """``records.json`` as a value; the cells of ``tables`` are typed by their columns."""

    written_utc: datetime
    photos: tuple[_Photo, ...]
    pieces: tuple[PieceRecord, ...]
    tables: Mapping[str, tuple[Mapping[str, object], ...]] = field(default_factory=dict)


# -- out ---------------------------------------------------------------------------


def export_zip(records: Records, path: Path) -> Exported:
    """Write everything into one file, whole or not at all.

    A photo whose file was lost does not stop the rest; its hash is told.

    Raises:
        RecordsError: The file can't be written.
    """
    told: list[Exported] = []

    def write(part: Path) -> None:
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, strict_timestamps=True) as archive:
            told.append(_write(records, archive))

    try:
        write_whole(path, write)
    except OSError as fault:
        raise RecordsError(f"can't be written: {fault}", where=str(path)) from fault
    return told[0]


def _write(records: Records, archive: zipfile.ZipFile) -> Exported:
    lost: list[str] = []
    with records.reading() as session:  # one transaction: what it reads is of one moment
        photos = []
        for row in session.scalars(select(PhotoRow).order_by(PhotoRow.sha256)):
            try:
                data = records.photos.get(row.sha256, row.kind)
            except PhotoLostError:
                lost.append(row.sha256)
            else:
                archive.writestr(_member(f"photos/{row.sha256}{SUFFIX_OF_KIND[row.kind]}"), data)
            photos.append(
                _Photo(
                    sha256=row.sha256,
                    kind=row.kind,
                    width_px=row.width_px,
                    height_px=row.height_px,
                    added_utc=row.added_utc,
                    lost=row.sha256 in lost,
                )
            )
        pieces = 0
        with archive.open(_member(JSON_NAME, packed=True), "w", force_zip64=True) as file:
            text = io.TextIOWrapper(file, encoding="ascii", newline="\n", write_through=True)
            head = {"schema": SCHEMA, "written_utc": plain(now_utc()), "photos": plain(photos)}
            text.write(json.dumps(head)[:-1] + ', "pieces": [')
            for piece in _all_pieces(session):
                text.write(("" if pieces == 0 else ",") + "\n" + _dumped(plain(piece)))
                pieces += 1
            text.write('\n], "tables": ' + _dumped(_table_rows(session)) + "}\n")
            text.flush()
            text.detach()
    return Exported(pieces=pieces, photos=len(photos) - len(lost), lost_photos=tuple(lost))


def _dumped(value: object) -> str:
    return json.dumps(value, allow_nan=False, separators=(",", ":"))


def _member(name: str, *, packed: bool = False) -> zipfile.ZipInfo:
    member = zipfile.ZipInfo(name, _EXPORTED_TIME)
    member.compress_type = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
    member.external_attr = 0o600 << 16
    return member


def _all_pieces(session: Session) -> Iterator[PieceRecord]:
    ids = session.scalars(select(PieceRow.id).order_by(PieceRow.created_utc, PieceRow.id)).all()
    for start in range(0, len(ids), _BATCH):
        batch = ids[start : start + _BATCH]
        query = whole_pieces().where(PieceRow.id.in_(batch))
        rows = {row.id: row for row in session.scalars(query)}
        yield from (piece_record(rows[piece_id]) for piece_id in batch if piece_id in rows)
        session.expunge_all()


def _other_tables() -> list[Table]:
    """Return all tables beside those of the pieces; what is pointed to comes first."""
    return [table for table in Base.metadata.sorted_tables if table.name not in _OWN_TABLES]


def _table_rows(session: Session) -> Plain:
    return {
        table.name: [
            plain(dict(row))
            for row in session.execute(select(table).order_by(*table.primary_key)).mappings()
        ]
        for table in _other_tables()
    }


# -- in ----------------------------------------------------------------------------


def import_zip(records: Records, source: Path | IO[bytes]) -> Imported:
    """Take in what :func:`export_zip` wrote, all or nothing.

    A piece that is there already keeps what is newer, and gets the photos, calls,
    outcomes and tags that it lacks. Buyers and others of the same name become one.

    Raises:
        BadArchiveError: The file is damaged, unsafe or not an export; nothing was
            written (but perhaps photo files that no record knows, which are swept).
    """
    try:
        with zipfile.ZipFile(source) as archive:
            members = _members(archive)
            content = _content(archive, members)
            hashes, kept = _store_photos(records, archive, members, content)
    except (FileNotFoundError, IsADirectoryError, PermissionError) as fault:
        raise RecordsError(f"can't be read: {fault}") from fault
    except _DAMAGE as fault:
        raise BadArchiveError("is no whole zip file", fix=_FIX) from fault
    try:
        with records.writing() as session:
            return _Import(records, session, content, hashes, kept).run()
    except RecordsError as fault:
        if isinstance(fault.__cause__, IntegrityError):
            raise BadArchiveError("its records don't fit together", fix=_FIX) from fault
        raise


def _members(archive: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    """Return the members by name; any name, size or kind that an export has not is refused."""
    infos = archive.infolist()
    if len(infos) > MAX_MEMBERS:
        raise BadArchiveError(f"holds more than {MAX_MEMBERS} files", fix=_FIX)
    members: dict[str, zipfile.ZipInfo] = {}
    for info in infos:
        if info.filename != JSON_NAME and not _MEMBER.fullmatch(info.filename):
            raise BadArchiveError(
                "holds a file that no export has", fix=_FIX, where=repr(info.filename[:80])
            )
        if info.filename in members or info.flag_bits & 0x1:
            raise BadArchiveError("holds a file twice, or a locked one", fix=_FIX)
        members[info.filename] = info
    if JSON_NAME not in members:
        raise BadArchiveError(f"has no {JSON_NAME}", fix=_FIX)
    if sum(info.file_size for info in infos) > MAX_TOTAL_BYTES:
        raise BadArchiveError("would be far too large unpacked", fix=_FIX)
    return members


def _unpacked(archive: zipfile.ZipFile, info: zipfile.ZipInfo, *, most: int) -> bytes:
    """Return a member's bytes; stops at ``most``, whatever its header says."""
    try:
        with archive.open(info) as file:
            data = file.read(most + 1)
    except _DAMAGE as fault:
        raise BadArchiveError("is damaged", fix=_FIX, where=info.filename) from fault
    if len(data) > most:
        raise BadArchiveError(
            f"holds a file of more than {most // 2**20} MB", fix=_FIX, where=info.filename
        )
    return data


def _content(archive: zipfile.ZipFile, members: Mapping[str, zipfile.ZipInfo]) -> _Archive:
    data = _unpacked(archive, members[JSON_NAME], most=MAX_JSON_BYTES)
    try:
        content = read_json(data.decode("ascii"), _Archive, SCHEMA, longest=MAX_JSON_BYTES)
        _check(content)
    except UnicodeDecodeError as fault:
        raise BadArchiveError("is not what an export writes", fix=_FIX, where=JSON_NAME) from fault
    except BadArchiveError:
        raise
    except CuproscopeError as fault:
        fix = getattr(fault, "fix", "") or _FIX
        raise BadArchiveError(fault.message, fix=fix, where=JSON_NAME) from fault
    return content


def _check(content: _Archive) -> None:
    """Refuse what no export holds; the types of everything are right already."""
    photos = {photo.sha256: photo for photo in content.photos}
    for photo in content.photos:
        sized = all(0 < side < _LARGEST_SIDE_PX for side in (photo.width_px, photo.height_px))
        if not (is_hash(photo.sha256) and photo.kind in SUFFIX_OF_KIND and sized):
            raise BadArchiveError("names a photo wrongly", fix=_FIX, where=photo.sha256[:80])
    seen: set[str] = set()
    for piece in content.pieces:
        ids = [piece.id, *(p.id for p in piece.photos)]
        ids += [c.id for c in piece.own_calls] + [o.id for o in piece.outcomes]
        bad_id = any(_ID.fullmatch(i) is None for i in ids) or piece.id in seen
        lost = any(p.sha256 not in photos for p in piece.photos)
        if bad_id or lost or not all(_plausible(piece)):
            raise BadArchiveError("holds a piece that can't be", fix=_FIX, where=piece.id[:80])
        seen.add(piece.id)


def _plausible(piece: PieceRecord) -> Iterator[bool]:
    yield is_hash(piece.sheet.hash) and len(piece.sheet.id) <= NAME_LENGTH
    yield all(len(p.reference or "") <= WORD_LENGTH for p in piece.photos)
    for call in piece.own_calls:
        yield 0 < len(call.grade) <= WORD_LENGTH
        yield call.tarnish_level is None or 0 <= call.tarnish_level <= 1
    for outcome in piece.outcomes:
        yield outcome.grade is not None or outcome.paid is not None
        yield outcome.grade is None or 0 < len(outcome.grade) <= WORD_LENGTH
        yield outcome.paid is None or (0 <= outcome.paid <= LARGEST_PAID)
        yield (outcome.currency is None) == (outcome.paid is None)
        yield outcome.currency is None or re.fullmatch("[A-Z]{3}", outcome.currency) is not None
        yield outcome.weight_kg is None or (isfinite(outcome.weight_kg) and outcome.weight_kg > 0)


# -- photos ------------------------------------------------------------------------


def _store_photos(
    records: Records,
    archive: zipfile.ZipFile,
    members: Mapping[str, zipfile.ZipInfo],
    content: _Archive,
) -> tuple[dict[str, str], dict[str, EncodedPhoto | _Photo]]:
    """Store the photos that pieces name.

    Returns:
        The hash each is kept under by the hash it came with, and what is kept by hash.
    """
    named = {photo.sha256 for piece in content.pieces for photo in piece.photos}
    hashes: dict[str, str] = {}
    kept: dict[str, EncodedPhoto | _Photo] = {}
    for photo in content.photos:
        if photo.sha256 not in named:
            continue
        if photo.lost:
            hashes[photo.sha256], kept[photo.sha256] = photo.sha256, photo
            continue
        name = f"photos/{photo.sha256}{SUFFIX_OF_KIND[photo.kind]}"
        if name not in members:
            raise BadArchiveError("a photo is missing", fix=_FIX, where=name)
        data = _unpacked(archive, members[name], most=MAX_STORED_BYTES)
        encoded = _as_stored(data, photo)
        try:
            records.photos.put(encoded)
        except OSError as fault:
            raise RecordsError(
                f"a photo can't be stored ({fault.strerror or fault})",
                fix="Check that the disk is not full and the folder may be written to.",
            ) from fault
        hashes[photo.sha256] = encoded.sha256
        kept[encoded.sha256] = replace(encoded, data=b"")
    return hashes, kept


def _as_stored(data: bytes, photo: _Photo) -> EncodedPhoto:
    """Return a photo as it may be stored: its hash checked, and encoded anew if need be."""
    if hashlib.sha256(data).hexdigest() != photo.sha256:
        raise BadArchiveError("a photo is not what its name says", fix=_FIX, where=photo.sha256)
    size = _decoded_size(data, photo)
    if is_bare_picture(data, photo.kind):
        return EncodedPhoto(
            data=data,
            sha256=photo.sha256,
            kind=photo.kind,
            width_px=size[0],
            height_px=size[1],
        )
    # Not one of our own encoding: whatever else is in it must not get in.
    from vision.photo.loading import load_photo

    try:
        return encode_photo(load_photo(data, name=photo.sha256).rgb, lossless=photo.kind == "png")
    except CuproscopeError as fault:
        raise BadArchiveError("a photo can't be read", fix=_FIX, where=photo.sha256) from fault


def _decoded_size(data: bytes, photo: _Photo) -> tuple[int, int]:
    """Return ``(width, height)``; header first, then all of it is decoded once."""
    import warnings

    import cv2
    import numpy as np
    from PIL import Image

    from vision.photo.loading import MAX_PIXELS

    bad = BadArchiveError("a photo can't be read", fix=_FIX, where=photo.sha256)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the limit below is lower than Pillow's
            with Image.open(io.BytesIO(data), formats=[photo.kind.upper()]) as picture:
                size = picture.size
    except Exception as fault:  # decoders raise whatever they like on a damaged file
        raise bad from fault
    if size[0] * size[1] > MAX_PIXELS:
        raise BadArchiveError("a photo is enormous", fix=_FIX, where=photo.sha256)
    flags = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    decoded = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if decoded is None or decoded.shape[1::-1] != size:
        raise bad
    return size


# -- rows --------------------------------------------------------------------------


class _Import:
    """One import inside one transaction."""

    def __init__(
        self,
        records: Records,
        session: Session,
        content: _Archive,
        hashes: Mapping[str, str],
        kept: Mapping[str, EncodedPhoto | _Photo],
    ) -> None:
        self.records, self.session, self.content = records, session, content
        self.hashes, self.kept = hashes, kept
        self.renamed: dict[str, dict[str, str]] = {"photo": dict(hashes)}  # id by id, a table
        self.other_rows = 0

    def run(self) -> Imported:
        unknown = set(self.content.tables) - {table.name for table in _other_tables()}
        if unknown:
            raise BadArchiveError(
                "holds tables that this version doesn't know",
                fix="Import it with the version of the program that wrote it, or a newer one.",
                where=min(unknown)[:80],
            )
        photos = self._photos()
        after = []
        for table in _other_tables():
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
        return Imported(**counts, photos=photos, other_rows=self.other_rows)

    def _photos(self) -> int:
        added = 0
        for sha256, photo in self.kept.items():
            lost = isinstance(photo, _Photo)
            if not lost and not self.records.photos.path_of(sha256, photo.kind).exists():
                raise RecordsError("a photo was deleted meanwhile", fix="Import the file again.")
            if self.session.get(PhotoRow, sha256) is None:
                self.session.add(
                    PhotoRow(
                        sha256=sha256,
                        kind=photo.kind,
                        width_px=photo.width_px,
                        height_px=photo.height_px,
                        added_utc=now_utc(),
                    )
                )
                added += 1
        self.session.flush()
        return added

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
                photo_sha256=self.hashes[photo.sha256],
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
        for raw in self.content.tables.get(table.name, ()):
            values = self._values(table, raw)
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

    def _same_name(self, table: Table, values: Plain) -> str | None:
        """Return the id of a row of the same name that has another id."""
        if "name_key" not in table.c or "id" not in table.c:
            return None
        same = select(table.c.id).where(table.c.name_key == values["name_key"])
        found = self.session.execute(same).scalar_one_or_none()
        return str(found) if found is not None and found != values["id"] else None

    def _values(self, table: Table, raw: Mapping[str, object]) -> Plain:
        """Return a row's cells as its columns want them, ids renamed where they were."""
        if set(raw) != {column.name for column in table.c}:
            raise BadArchiveError("holds a row that this version doesn't know", where=table.name)
        values: Plain = {}
        for column in table.c:
            value = _cell(column, raw[column.name])
            for key in column.foreign_keys:
                target = key.column.table.name
                value = self.renamed.get(target, {}).get(value, value)
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


def _cell(column: Column[Any], value: object) -> Any:  # noqa: ANN401 (as many types as columns)
    if value is None:
        if not column.nullable:
            raise BadArchiveError(f"{column.name} is missing", fix=_FIX, where=column.table.name)
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
        raise BadArchiveError(str(fault), fix=_FIX, where=where) from fault
    endless = isinstance(cell, float) and not isfinite(cell)
    if endless or (isinstance(cell, int) and abs(cell) >= _LARGEST_WHOLE):
        raise BadArchiveError("holds an endless number", fix=_FIX, where=column.table.name)
    longest = getattr(column.type, "length", None)
    if isinstance(cell, str) and longest is not None and len(cell) > longest:
        raise BadArchiveError("is too long", fix=_FIX, where=column.table.name)
    return cell
