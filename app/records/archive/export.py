"""How do all records get into one file?"""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.files import write_whole
from app.records.archive.contents import JSON_NAME, SCHEMA, PhotoEntry, Plain, other_tables
from app.records.codec import plain
from app.records.errors import PhotoLostError, RecordsError
from app.records.models import PhotoRow, PieceRow
from app.records.photos import SUFFIX_OF_KIND
from app.records.rows import piece_record, whole_pieces
from app.records.times import now_utc
from app.records.types import PieceRecord

if TYPE_CHECKING:
    from app.records.store import Records


_BATCH = 200
_EXPORTED_TIME = (1980, 1, 1, 0, 0, 0)
"""The earliest a zip can say: the same records, the same file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What an export holds; ``lost_photos`` are hashes whose files were gone or changed."""

    pieces: int
    photos: int
    lost_photos: tuple[str, ...] = ()


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
                PhotoEntry(
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


def _table_rows(session: Session) -> Plain:
    return {
        table.name: [
            plain(dict(row))
            for row in session.execute(select(table).order_by(*table.primary_key)).mappings()
        ]
        for table in other_tables()
    }
