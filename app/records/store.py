"""The record store: what was graded, what people said, what buyers paid.

    records = open_records()                 # the user's data folder
    (piece,) = records.save_pieces([NewPiece(...)])
    records.record_own_call(piece.id, grade="no1", blind=True)

Every method is one short transaction of its own and gives plain values back, so one
``Records`` may be shared by all threads (and several processes may use one folder).
What is told done is on the disk; what fails left everything as it was.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from decimal import Decimal
from math import isfinite
from pathlib import Path

from sqlalchemy import Engine, delete, func, select
from sqlalchemy.orm import Session

from app.records.database import (
    database_url,
    default_folder,
    open_database,
)
from app.records.errors import NoSuchRecordError, RecordsError
from app.records.mending import forget_unused, mark_unused, mend, reserve
from app.records.models import (
    WORD_LENGTH,
    Base,
    BuyerRow,
    MetaRow,
    OutcomeRow,
    OwnCallRow,
    PhotoRow,
    PieceRow,
    TagRow,
)
from app.records.photos import EncodedPhoto, Encoder, PhotoFolder, small_picture
from app.records.rows import (
    GONE,
    buyer_of,
    clean_tags,
    find_row,
    known_hashes,
    matching,
    new_piece_row,
    outcome_of,
    own_call,
    piece_photo_row,
    piece_record,
    set_grading,
    whole_pieces,
)
from app.records.text import many_lines, name_key, one_line, word
from app.records.times import now_utc
from app.records.transactions import Transactions
from app.records.types import (
    CONFIRMED,
    BuyerRecord,
    NewPhoto,
    NewPiece,
    Outcome,
    OwnCall,
    PieceRecord,
)
from rules.engine import Grading
from rules.findings import Findings
from rules.table import RuleSheet

LARGEST_PAID = Decimal("1e12")
THUMBNAIL_PX = 320


def open_records(folder: Path | None = None, *, url: str | None = None) -> Records:
    """Return the records in a folder, made or brought up to date where needed.

    Args:
        folder: Holds the photos, and the database unless ``url`` names another; None
            takes ``CUPROSCOPE_DATA`` or the user's data folder.
        url: SQLAlchemy address of another database.

    Raises:
        RecordsError: They can't be opened; ``fix`` says what to do. A damaged file is
            no error: it is set aside and ``Records.messages`` says so.
    """
    folder = default_folder() if folder is None else folder
    engine, messages = open_database(database_url(folder, url), folder=folder)
    records = Records(engine, folder=folder, messages=messages)
    try:
        records.mend()
    except RecordsError:
        records.close()
        raise
    return records


class Records(Transactions):
    """An open record store; see :func:`open_records`.

    Attributes:
        folder: The folder of the photos (and of the database, unless it has another).
        messages: What the person should be told once, e.g. that a damaged file was set
            aside; mostly empty.
    """

    def __init__(self, engine: Engine, *, folder: Path, messages: tuple[str, ...] = ()) -> None:
        super().__init__(engine)
        self.folder = folder
        self.messages = messages
        self.photos = PhotoFolder(folder / "photos")

    # -- pieces -----------------------------------------------------------------

    def save_pieces(self, pieces: Sequence[NewPiece]) -> tuple[PieceRecord, ...]:
        """Record graded pieces, all or none; a photo they share is stored once."""
        encoded = Encoder()
        for piece in pieces:
            for photo in piece.photos:
                encoded.add(photo)
        with self._keeping(encoded), self.writing() as session:
            rows = [new_piece_row(piece) for piece in pieces]
            for piece, row in zip(pieces, rows, strict=True):
                session.add(row)
                for position, photo in enumerate(piece.photos):
                    self._attach(session, row, photo, encoded.of(photo), position)
            session.flush()
            ids = [row.id for row in rows]
        return tuple(self.piece(piece_id) for piece_id in ids)

    def piece(self, piece_id: str) -> PieceRecord:
        """Return one piece, whole; raises NoSuchRecordError."""
        with self.reading() as session:
            row = session.scalars(whole_pieces().where(PieceRow.id == piece_id)).one_or_none()
            if row is None:
                raise NoSuchRecordError("there is no such piece", fix=GONE, where=piece_id)
            return piece_record(row)

    def pieces(
        self,
        *,
        tag: str | None = None,
        buyer_id: str | None = None,
        containing: str | None = None,
        limit: int | None = None,
    ) -> tuple[PieceRecord, ...]:
        """Return the pieces that agree with all that is said, newest first.

        Args:
            tag: With this tag.
            buyer_id: With an outcome at this buyer.
            containing: Text in the name or the notes, upper or lower case.
            limit: At most so many.
        """
        query = matching(
            whole_pieces(), tag=tag, buyer_id=buyer_id, containing=containing
        ).order_by(PieceRow.created_utc.desc(), PieceRow.id)
        if limit is not None:
            query = query.limit(limit)
        with self.reading() as session:
            return tuple(piece_record(row) for row in session.scalars(query))

    def count(self) -> int:
        """Return how many pieces there are."""
        with self.reading() as session:
            return int(session.scalar(select(func.count()).select_from(PieceRow)) or 0)

    def nearest_confirmed(self, tarnish_level: float, *, most: int = 3) -> tuple[PieceRecord, ...]:
        """Return the confirmed pieces of the nearest tarnish level, nearest first."""
        query = (
            matching(whole_pieces(), tag=CONFIRMED)
            .where(PieceRow.tarnish_level.is_not(None))
            .order_by(func.abs(PieceRow.tarnish_level - tarnish_level), PieceRow.created_utc.desc())
            .limit(most)
        )
        with self.reading() as session:
            return tuple(piece_record(row) for row in session.scalars(query))

    def add_photo(
        self,
        piece_id: str,
        photo: NewPhoto,
        *,
        findings: Findings | None = None,
        grading: Grading | None = None,
        sheet: RuleSheet | None = None,
    ) -> PieceRecord:
        """Add a photo to a piece and, where given, what all photos together now say.

        ``findings``, ``grading`` and ``sheet`` come together (see ``rules/pooled.py``).
        """
        together = (findings, grading, sheet)
        if any(part is None for part in together) and any(part is not None for part in together):
            raise ValueError("findings, grading and sheet come together")
        encoded = Encoder()
        encoded.add(photo)
        with self._keeping(encoded), self._changing(piece_id) as (session, row):
            position = 1 + max((old.position for old in row.photos), default=-1)
            self._attach(session, row, photo, encoded.of(photo), position)
            if findings is not None and grading is not None and sheet is not None:
                set_grading(row, findings, grading, sheet)
        return self.piece(piece_id)

    def rename(self, piece_id: str, name: str) -> None:
        """Give a piece another name."""
        with self._changing(piece_id) as (_, row):
            row.name = one_line(name)

    def set_notes(self, piece_id: str, notes: str) -> None:
        """Replace a piece's notes (plain text, at most 10,000 letters)."""
        with self._changing(piece_id) as (_, row):
            row.notes = many_lines(notes)

    def add_tag(self, piece_id: str, tag: str) -> None:
        """Put one tag on a piece, e.g. ``CONFIRMED``."""
        wanted = clean_tags([tag])
        with self._changing(piece_id) as (_, row):
            have = {old.tag for old in row.tags}
            row.tags.extend(TagRow(tag=new) for new in wanted if new not in have)

    def remove_tag(self, piece_id: str, tag: str) -> None:
        """Take one tag off a piece."""
        with self._changing(piece_id) as (_, row):
            row.tags[:] = [old for old in row.tags if old.tag != word(tag)]

    # -- what people and buyers said ---------------------------------------------

    def record_own_call(
        self,
        piece_id: str,
        *,
        grade: str,
        blind: bool,
        who: str = "",
        tarnish_level: float | None = None,
    ) -> OwnCall:
        """Record what a person says of a piece; ``blind`` if they had not seen ours yet."""
        if tarnish_level is not None and not 0 <= tarnish_level <= 1:
            raise RecordsError("a tarnish level is between 0 and 1", where="own call")
        call = OwnCallRow(
            grade=_grade_id(grade), blind=blind, who=one_line(who), tarnish_level=tarnish_level
        )
        with self._changing(piece_id) as (session, row):
            row.own_calls.append(call)
            session.flush()
            return own_call(call)

    def record_outcome(
        self,
        piece_id: str,
        *,
        buyer_id: str,
        grade: str | None = None,
        paid: Decimal | None = None,
        currency: str | None = None,
        weight_kg: float | None = None,
        note: str = "",
    ) -> Outcome:
        """Record what a buyer made of a piece: the grade, the money, or both."""
        if grade is None and paid is None:
            raise RecordsError("say what the buyer graded it or paid", where="outcome")
        if paid is not None and not (paid.is_finite() and 0 <= paid <= LARGEST_PAID):
            raise RecordsError("what was paid must be an amount of at least 0", where="outcome")
        currency = _currency(currency, paid)
        if weight_kg is not None and not (isfinite(weight_kg) and weight_kg > 0):
            raise RecordsError("a weight must be more than 0 kg", where="outcome")
        outcome = OutcomeRow(
            buyer_id=buyer_id,
            grade=None if grade is None else _grade_id(grade),
            paid=paid,
            currency=currency,
            weight_kg=weight_kg,
            note=many_lines(note),
            told_utc=now_utc(),
        )
        with self._changing(piece_id) as (session, row):
            find_row(session, BuyerRow, buyer_id, "buyer")
            row.outcomes.append(outcome)
            session.flush()
            return outcome_of(outcome)

    def remove_outcome(self, outcome_id: str) -> None:
        """Take an outcome back."""
        with self.writing() as session:
            outcome = find_row(session, OutcomeRow, outcome_id, "outcome")
            find_row(session, PieceRow, outcome.piece_id, "piece").updated_utc = now_utc()
            session.delete(outcome)

    # -- buyers -------------------------------------------------------------------

    def buyers(self) -> tuple[BuyerRecord, ...]:
        """Return all buyers by name."""
        with self.reading() as session:
            rows = session.scalars(select(BuyerRow).order_by(BuyerRow.name_key))
            return tuple(map(buyer_of, rows))

    def buyer(self, buyer_id: str) -> BuyerRecord:
        """Return one buyer; raises NoSuchRecordError."""
        with self.reading() as session:
            return buyer_of(find_row(session, BuyerRow, buyer_id, "buyer"))

    def add_buyer(self, name: str, *, notes: str = "") -> BuyerRecord:
        """Return the buyer of this name, new or the one there is."""
        name, key = one_line(name), name_key(name)
        if not key:
            raise RecordsError("a buyer needs a name", where="buyer")
        with self.writing() as session:
            row = session.scalars(select(BuyerRow).where(BuyerRow.name_key == key)).one_or_none()
            if row is None:
                row = BuyerRow(name=name, name_key=key, notes=many_lines(notes))
                session.add(row)
                session.flush()
            return buyer_of(row)

    # -- photos -------------------------------------------------------------------

    def photo_bytes(self, sha256: str) -> bytes:
        """Return a stored photo (JPEG or PNG); its hash was checked.

        Raises:
            NoSuchRecordError: No photo of that hash is recorded.
            PhotoLostError: Its file is missing or was changed.
        """
        with self.reading() as session:
            kind = find_row(session, PhotoRow, sha256, "photo").kind
        return self.photos.get(sha256, kind)

    def thumbnail(self, sha256: str, *, longest_px: int = THUMBNAIL_PX) -> bytes:
        """Return a small JPEG of a stored photo; raises as :meth:`photo_bytes`."""
        return small_picture(self.photo_bytes(sha256), longest_px=longest_px)

    # -- deleting -----------------------------------------------------------------

    def delete_piece(self, piece_id: str) -> None:
        """Delete a piece with all that hangs on it, and the photos nobody else uses."""
        with self.writing() as session:
            row = find_row(session, PieceRow, piece_id, "piece")
            hashes = {photo.photo_sha256 for photo in row.photos}
            session.delete(row)
            session.flush()
            mark_unused(session, hashes)
        self.forget_unused()

    def delete_everything(self, *, also_set_aside: bool = False) -> None:
        """Delete all pieces, buyers, photos, practice and whatever else is in the tables.

        ``also_set_aside`` removes damaged files that were set aside, too.
        """
        kept = (MetaRow.__tablename__, PhotoRow.__tablename__)
        with self.writing() as session:
            for table in reversed(Base.metadata.sorted_tables):
                if table.name not in kept:
                    session.execute(delete(table))
            mark_unused(session)  # the rows of the photos go with the files
        with self.writing() as session:
            forget_unused(session, self.photos)
            self.photos.remove_unknown(known_hashes(session))
        self.shrink()
        if also_set_aside:
            for path in self.set_aside_files():
                path.unlink(missing_ok=True)

    def mend(self) -> None:
        """Undo what a kill left, and lay photos that no record knows aside; done at opening."""
        with self.writing() as session:
            self.messages += mend(session, self.photos)

    def forget_unused(self) -> None:
        """Delete photos that no piece uses any more."""
        with self.writing() as session:
            forget_unused(session, self.photos)

    # -- inside -------------------------------------------------------------------

    @contextmanager
    def _changing(self, piece_id: str) -> Iterator[tuple[Session, PieceRow]]:
        with self.writing() as session:
            row = find_row(session, PieceRow, piece_id, "piece")
            yield session, row
            row.updated_utc = now_utc()

    def _attach(
        self,
        session: Session,
        row: PieceRow,
        photo: NewPhoto,
        encoded: EncodedPhoto,
        position: int,
    ) -> None:
        reserve(session, encoded)  # again, should somebody have deleted it meanwhile
        if not self.photos.path_of(encoded.sha256, encoded.kind).exists():
            self.put_photo(encoded)
        row.photos.append(piece_photo_row(photo, sha256=encoded.sha256, position=position))

    @contextmanager
    def _keeping(self, encoded: Encoder) -> Iterator[None]:
        """Store photos for what is then written; without it they are not kept."""
        with self.keeping() as keep:
            for photo in encoded:
                keep(photo)
            yield

    @contextmanager
    def keeping(self) -> Iterator[Callable[[EncodedPhoto], bool]]:
        """Give what stores a photo, row first; what no piece uses at the end goes again.

        It returns whether the photo is new, and raises RecordsError where it can't be stored.
        """
        stored: set[str] = set()

        def keep(photo: EncodedPhoto) -> bool:
            with self.writing() as session:
                is_new = reserve(session, photo)
            stored.add(photo.sha256)
            self.put_photo(photo)
            return is_new

        try:
            yield keep
        except BaseException:
            if stored:
                with suppress(RecordsError), self.writing() as session:
                    mark_unused(session, stored)
                    forget_unused(session, self.photos)
            raise

    def put_photo(self, encoded: EncodedPhoto) -> None:
        """Store a photo's file; raises RecordsError."""
        try:
            self.photos.put(encoded)
        except OSError as fault:
            raise RecordsError(
                f"the photo can't be stored ({fault.strerror or fault})",
                fix="Check that the disk is not full and the folder may be written to.",
                where=str(self.photos.folder),
            ) from fault


def _grade_id(grade: str) -> str:
    grade = one_line(grade, longest=WORD_LENGTH)
    if not grade:
        raise RecordsError("a grade needs a name", where="grade")
    return grade


def _currency(currency: str | None, paid: Decimal | None) -> str | None:
    if paid is None:
        return None
    code = (currency or "").strip().upper()
    if len(code) != 3 or not (code.isascii() and code.isalpha()):
        raise RecordsError("an amount needs its currency, three letters like USD", where="outcome")
    return code
