"""What may be believed of a file that says it holds records?

Every name, size, hash and value is checked before anything is written, and nothing is
unpacked by its name.
"""

from __future__ import annotations

import hashlib
import io
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from math import isfinite

from app.records.archive.contents import FIX, JSON_NAME, SCHEMA, Archive, PhotoEntry
from app.records.clean import is_bare_picture
from app.records.codec import read_json
from app.records.errors import BadArchiveError
from app.records.models import NAME_LENGTH, WORD_LENGTH
from app.records.photos import (
    MAX_STORED_BYTES,
    SUFFIX_OF_KIND,
    EncodedPhoto,
    encode_photo,
    is_hash,
)
from app.records.store import LARGEST_PAID
from app.records.types import PieceRecord
from rules.errors import CuproscopeError

MAX_JSON_BYTES = 512 * 2**20
"""Largest ``records.json``: some ten thousand pieces with their outlines."""

MAX_MEMBERS = 200_000
MAX_TOTAL_BYTES = 64 * 2**30
"""Most that all photos of a file may take once unpacked."""

_LARGEST_SIDE_PX = 2**20
_ID = re.compile(r"[0-9a-f]{32}")
_MEMBER = re.compile(r"photos/([0-9a-f]{64})\.(jpg|png)")

# What ``zipfile`` was seen to raise on damaged files, besides its own error.
DAMAGE = (
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


def members_of(archive: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    """Return the members by name; any name, size or kind that an export has not is refused."""
    infos = archive.infolist()
    if len(infos) > MAX_MEMBERS:
        raise BadArchiveError(f"holds more than {MAX_MEMBERS} files", fix=FIX)
    members: dict[str, zipfile.ZipInfo] = {}
    for info in infos:
        if info.filename != JSON_NAME and not _MEMBER.fullmatch(info.filename):
            raise BadArchiveError(
                "holds a file that no export has", fix=FIX, where=repr(info.filename[:80])
            )
        if info.filename in members or info.flag_bits & 0x1:
            raise BadArchiveError("holds a file twice, or a locked one", fix=FIX)
        members[info.filename] = info
    if JSON_NAME not in members:
        raise BadArchiveError(f"has no {JSON_NAME}", fix=FIX)
    if sum(info.file_size for info in infos) > MAX_TOTAL_BYTES:
        raise BadArchiveError("would be far too large unpacked", fix=FIX)
    return members


def _unpacked(archive: zipfile.ZipFile, info: zipfile.ZipInfo, *, most: int) -> bytes:
    """Return a member's bytes; stops at ``most``, whatever its header says."""
    try:
        with archive.open(info) as file:
            data = file.read(most + 1)
    except DAMAGE as fault:
        raise BadArchiveError("is damaged", fix=FIX, where=info.filename) from fault
    if len(data) > most:
        raise BadArchiveError(
            f"holds a file of more than {most // 2**20} MB", fix=FIX, where=info.filename
        )
    return data


def content_of(archive: zipfile.ZipFile, members: Mapping[str, zipfile.ZipInfo]) -> Archive:
    """Return ``records.json`` as a value, everything in it checked."""
    data = _unpacked(archive, members[JSON_NAME], most=MAX_JSON_BYTES)
    try:
        content = read_json(data.decode("ascii"), Archive, SCHEMA, longest=MAX_JSON_BYTES)
        _check(content)
    except UnicodeDecodeError as fault:
        raise BadArchiveError("is not what an export writes", fix=FIX, where=JSON_NAME) from fault
    except BadArchiveError:
        raise
    except CuproscopeError as fault:
        fix = getattr(fault, "fix", "") or FIX
        raise BadArchiveError(fault.message, fix=fix, where=JSON_NAME) from fault
    return content


def _check(content: Archive) -> None:
    """Refuse what no export holds; the types of everything are right already."""
    photos = {photo.sha256: photo for photo in content.photos}
    for photo in content.photos:
        sized = all(0 < side < _LARGEST_SIDE_PX for side in (photo.width_px, photo.height_px))
        if not (is_hash(photo.sha256) and photo.kind in SUFFIX_OF_KIND and sized):
            raise BadArchiveError("names a photo wrongly", fix=FIX, where=photo.sha256[:80])
    seen: set[str] = set()
    for piece in content.pieces:
        ids = [piece.id, *(p.id for p in piece.photos)]
        ids += [c.id for c in piece.own_calls] + [o.id for o in piece.outcomes]
        bad_id = any(_ID.fullmatch(i) is None for i in ids) or piece.id in seen
        lost = any(p.sha256 not in photos for p in piece.photos)
        if bad_id or lost or not all(_plausible(piece)):
            raise BadArchiveError("holds a piece that can't be", fix=FIX, where=piece.id[:80])
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Photos:
    """The photos of a file as they were stored.

    Attributes:
        hashes: The hash each is kept under, by the hash it came with.
        kept: What is kept, by its hash; without the bytes.
        new: How many were not there before.
    """

    hashes: Mapping[str, str]
    kept: Mapping[str, EncodedPhoto | PhotoEntry]
    new: int


def store_photos(
    keep: Callable[[EncodedPhoto], bool],
    archive: zipfile.ZipFile,
    members: Mapping[str, zipfile.ZipInfo],
    content: Archive,
) -> Photos:
    """Store the photos that pieces name, by ``keep`` (:meth:`Records.keeping`)."""
    named = {photo.sha256 for piece in content.pieces for photo in piece.photos}
    hashes: dict[str, str] = {}
    kept: dict[str, EncodedPhoto | PhotoEntry] = {}
    new = 0
    for photo in content.photos:
        if photo.sha256 not in named:
            continue
        if photo.lost:
            hashes[photo.sha256], kept[photo.sha256] = photo.sha256, photo
            continue
        name = f"photos/{photo.sha256}{SUFFIX_OF_KIND[photo.kind]}"
        if name not in members:
            raise BadArchiveError("a photo is missing", fix=FIX, where=name)
        data = _unpacked(archive, members[name], most=MAX_STORED_BYTES)
        encoded = _as_stored(data, photo)
        new += keep(encoded)
        hashes[photo.sha256] = encoded.sha256
        kept[encoded.sha256] = replace(encoded, data=b"")
    return Photos(hashes=hashes, kept=kept, new=new)


def _as_stored(data: bytes, photo: PhotoEntry) -> EncodedPhoto:
    """Return a photo as it may be stored: its hash checked, and encoded anew if need be."""
    if hashlib.sha256(data).hexdigest() != photo.sha256:
        raise BadArchiveError("a photo is not what its name says", fix=FIX, where=photo.sha256)
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
        raise BadArchiveError("a photo can't be read", fix=FIX, where=photo.sha256) from fault


def _decoded_size(data: bytes, photo: PhotoEntry) -> tuple[int, int]:
    """Return ``(width, height)``; header first, then all of it is decoded once."""
    import warnings

    import cv2
    import numpy as np
    from PIL import Image

    from vision.photo.container import MAX_PIXELS

    bad = BadArchiveError("a photo can't be read", fix=FIX, where=photo.sha256)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the limit below is lower than Pillow's
            with Image.open(io.BytesIO(data), formats=[photo.kind.upper()]) as picture:
                size = picture.size
    except Exception as fault:  # decoders raise whatever they like on a damaged file
        raise bad from fault
    if size[0] * size[1] > MAX_PIXELS:
        raise BadArchiveError("a photo is enormous", fix=FIX, where=photo.sha256)
    flags = cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION
    decoded = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if decoded is None or decoded.shape[1::-1] != size:
        raise bad
    return size
