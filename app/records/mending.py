"""Photos and their rows: one order of writing, mended at the start.

A photo's row is there before its file, and goes after it; a row that no piece uses marks a
photo that is being saved, or is to be deleted. So whatever a kill leaves has a row that
tells it, and a file without any row was never ours to delete: it belongs to a database that
was damaged, lost or exchanged. Such files are laid aside in a folder and told.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import UTC, datetime, timedelta

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from app.records.models import PhotoRow, PiecePhotoRow
from app.records.photos import EncodedPhoto, PhotoFolder
from app.records.rows import known_hashes, photo_row
from app.records.times import now_utc

SAVED_WITHIN = timedelta(hours=1)
"""A row without a piece that is younger than this may be of a photo that is just being saved."""

_AT_ONCE = 500
"""So many hashes in one statement: databases limit how many values one may hold."""

LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)


def reserve(session: Session, photo: EncodedPhoto | PhotoRow) -> bool:
    """Write a photo's row before its file; return whether it is new."""
    row = session.get(PhotoRow, photo.sha256)
    if row is None:
        session.add(photo if isinstance(photo, PhotoRow) else photo_row(photo))
        return True
    row.added_utc = max(row.added_utc, now_utc()) if _is_unused(session, row) else row.added_utc
    return False


def mark_unused(session: Session, hashes: Iterable[str] | None = None) -> None:
    """Mark photos that no piece uses as to be deleted, now or at the next start."""
    unused = PhotoRow.sha256.not_in(select(PiecePhotoRow.photo_sha256))
    change = update(PhotoRow).where(unused).values(added_utc=LONG_AGO)
    if hashes is None:
        session.execute(change)
    named = sorted(hashes or ())
    for start in range(0, len(named), _AT_ONCE):
        some = named[start : start + _AT_ONCE]
        session.execute(change.where(PhotoRow.sha256.in_(some)))


def forget_unused(session: Session, photos: PhotoFolder) -> int:
    """Delete the files, then the rows, of photos that are marked or that nobody saved."""
    due = session.scalars(
        select(PhotoRow).where(
            PhotoRow.sha256.not_in(select(PiecePhotoRow.photo_sha256)),
            PhotoRow.added_utc < now_utc() - SAVED_WITHIN,
        )
    ).all()
    gone = [photo for photo in due if photos.remove(photo.sha256, photo.kind)]
    for photo in gone:
        session.delete(photo)
    session.flush()
    return len(gone)


def mend(session: Session, photos: PhotoFolder) -> tuple[str, ...]:
    """Undo what a kill left, and lay aside what is not known; return what to tell."""
    forget_unused(session, photos)
    photos.sweep_parts()
    known: Collection[str] = known_hashes(session)
    aside = photos.lay_aside_unknown(known)
    if not aside:
        return ()
    files = "photo belongs" if aside == 1 else "photos belong"
    return (
        f"{aside} {files} to no record here; perhaps the records' file was lost or exchanged. "
        f"Nothing was deleted: they lie in {photos.aside}. Import your last export, or have them "
        "graded anew on the page Records.",
    )


def _is_unused(session: Session, row: PhotoRow) -> bool:
    used = select(PiecePhotoRow.id).where(PiecePhotoRow.photo_sha256 == row.sha256).limit(1)
    return session.scalars(used).first() is None
