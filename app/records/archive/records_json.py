"""What does ``records.json`` say, and can it be? Read piece by piece, each checked as it comes."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import datetime
from math import isfinite
from typing import TypeVar

from app.records.archive.contents import FIX, JSON_NAME, LONGEST_TOLD, SCHEMA, Archive, PhotoEntry
from app.records.archive.reading import JsonStream
from app.records.codec import MAX_CHARS, typed
from app.records.errors import BadArchiveError
from app.records.models import NAME_LENGTH, WORD_LENGTH
from app.records.photos import SUFFIX_OF_KIND, is_hash
from app.records.store import LARGEST_PAID
from app.records.types import PieceRecord, PlaceOnPhoto
from rules.errors import ContractError, CuproscopeError

MAX_VALUE_CHARS = 4 * MAX_CHARS
"""Longest text of one piece, with all that its photos say."""

MAX_PHOTOS = 50_000
MAX_PIECES = 50_000
MAX_ROWS = 200_000

_LARGEST_SIDE_PX = 2**20
_ID = re.compile(r"[0-9a-f]{32}")

T = TypeVar("T")


def read_archive(text: Iterator[str]) -> Archive:
    """Return ``records.json`` as a value, everything in it checked.

    Raises:
        BadArchiveError: The first thing that no export holds, and where it stands.
    """
    reader = _Reader(JsonStream(text, longest=MAX_VALUE_CHARS))
    try:
        return reader.read()
    except UnicodeDecodeError as fault:
        raise BadArchiveError("is not what an export writes", fix=FIX, where=JSON_NAME) from fault
    except CuproscopeError as fault:
        where = ", ".join(filter(None, (JSON_NAME, reader.place, fault.where)))
        fix = getattr(fault, "fix", "") or FIX
        raise BadArchiveError(fault.message, fix=fix, where=where) from fault


class _Reader:
    """Reads ``records.json``, piece by piece; ``place`` says where it is."""

    def __init__(self, stream: JsonStream) -> None:
        self.stream = stream
        self.place = ""
        self.photos: list[PhotoEntry] = []
        self.pieces: list[PieceRecord] = []
        self.tables: dict[str, tuple[Mapping[str, object], ...]] = {}
        self.written_utc: datetime | None = None

    def read(self) -> Archive:
        """Return all of it."""
        read_part = {
            "schema": self._schema,
            "written_utc": self._written,
            "photos": self._photos,
            "pieces": self._pieces,
            "tables": self._tables,
        }
        left = set(read_part)
        for key in self.stream.members():
            if key not in read_part:
                raise BadArchiveError("holds what this version doesn't know", where=key[:80])
            if "schema" in left and key != "schema":
                raise BadArchiveError("does not say what it is")
            read_part[key]()
            left.discard(key)
        self.place = ""
        self.stream.end()
        if left:
            raise BadArchiveError(f"{min(left)} is missing")
        self._check_photos_of_pieces()
        assert self.written_utc is not None
        return Archive(
            written_utc=self.written_utc,
            photos=tuple(self.photos),
            pieces=tuple(self.pieces),
            tables=self.tables,
        )

    def _schema(self) -> None:
        found = self.stream.value()
        if found != SCHEMA:
            raise BadArchiveError(
                f"has schema {str(found)[:60]!r}, this version reads {SCHEMA!r}",
                fix="Use the version of the program that wrote it, or a newer one.",
            )

    def _written(self) -> None:
        self.written_utc = self._typed(datetime)

    def _photos(self) -> None:
        seen: set[str] = set()
        for number in self.stream.items():
            self.place = f"photo no. {number + 1}"
            photo: PhotoEntry = self._typed(PhotoEntry)
            sized = all(0 < side < _LARGEST_SIDE_PX for side in (photo.width_px, photo.height_px))
            is_new = photo.sha256 not in seen
            if not (is_new and is_hash(photo.sha256) and photo.kind in SUFFIX_OF_KIND and sized):
                raise BadArchiveError("names a photo wrongly")
            if number >= MAX_PHOTOS:
                raise BadArchiveError(f"names more than {MAX_PHOTOS} photos")
            seen.add(photo.sha256)
            self.photos.append(photo)

    def _pieces(self) -> None:
        seen: set[str] = set()
        for number in self.stream.items():
            self.place = f"piece no. {number + 1}"
            piece: PieceRecord = self._typed(PieceRecord)
            ids = [piece.id, *(p.id for p in piece.photos)]
            ids += [c.id for c in piece.own_calls] + [o.id for o in piece.outcomes]
            bad_id = any(_ID.fullmatch(i) is None for i in ids) or piece.id in seen
            if bad_id or not all(_plausible(piece)):
                raise BadArchiveError("holds a piece that can't be", where=piece.id[:80])
            if number >= MAX_PIECES:
                raise BadArchiveError(f"holds more than {MAX_PIECES} pieces")
            seen.add(piece.id)
            self.pieces.append(piece)

    def _tables(self) -> None:
        rows = 0
        for name in self.stream.members():
            found: list[Mapping[str, object]] = []
            for number in self.stream.items():
                self.place = f"{name[:80]} no. {number + 1}"
                row = self.stream.value()
                if not isinstance(row, dict) or any(
                    isinstance(v, dict | list) for v in row.values()
                ):
                    raise BadArchiveError("is no row of a table")
                rows += 1
                if rows > MAX_ROWS:
                    raise BadArchiveError(f"holds more than {MAX_ROWS} rows")
                found.append(row)
            self.tables[name] = tuple(found)

    def _check_photos_of_pieces(self) -> None:
        sizes = {photo.sha256: (photo.width_px, photo.height_px) for photo in self.photos}
        for number, piece in enumerate(self.pieces):
            self.place = f"piece no. {number + 1}"
            for photo in piece.photos:
                if photo.sha256 not in sizes:
                    raise BadArchiveError("has a photo that is not there", where=piece.id)
                if photo.place is not None and not _is_inside(photo.place, sizes[photo.sha256]):
                    raise BadArchiveError("lies outside of its photo", where=piece.id)

    def _typed(self, kind: type[T]) -> T:
        try:
            value: T = typed(self.stream.value(), kind)
        except (TypeError, ValueError, OverflowError, ContractError) as fault:
            raise BadArchiveError(f"can't be read: {str(fault)[:LONGEST_TOLD]}") from fault
        return value


def _is_inside(place: PlaceOnPhoto, size_px: tuple[int, int]) -> bool:
    """Whether all that is drawn of a piece lies on its photo."""
    width, height = size_px
    boxes = (place.box_px, *place.brass_boxes_px, *place.solder_boxes_px)
    points = [*place.outline_px, *(end for line in place.measured_lines_px for end in line)]
    return all(
        x >= 0 and y >= 0 and w > 0 and h > 0 and x + w <= width and y + h <= height
        for x, y, w, h in boxes
    ) and all(-width <= x <= 2 * width and -height <= y <= 2 * height for x, y in points)


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
