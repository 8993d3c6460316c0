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
from collections.abc import Callable, Generator, Mapping
from contextlib import closing, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO

from app.records.archive.contents import FIX, JSON_NAME, Archive, PhotoEntry
from app.records.archive.records_json import read_archive
from app.records.clean import is_bare_picture
from app.records.errors import BadArchiveError
from app.records.photos import (
    MAX_STORED_BYTES,
    SUFFIX_OF_KIND,
    EncodedPhoto,
    encode_photo,
)
from rules.errors import CuproscopeError

MAX_JSON_BYTES = 256 * 2**20
"""Largest ``records.json``: some ten thousand pieces with their outlines."""

MAX_MEMBERS = 50_000
MAX_TOTAL_BYTES = 64 * 2**30
"""Most that a file may take once unpacked."""

MAX_DIRECTORY_BYTES = 200 * MAX_MEMBERS
"""A photo takes 120 bytes in a zip's directory; all of that is read before anything is checked."""

MAX_RATIO = 50
FREE_BYTES = 2**20
"""So many times its packed size, and so much more, may a member take once unpacked: records
were packed 8 to 25 times, photos none."""

_CHUNK = 2**16
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


def check_directory(source: Path | IO[bytes]) -> None:
    """Refuse a zip whose directory is larger than that of any export, before it is read.

    The end record says how large it is (PKWARE's APPNOTE, 4.3.14 to 4.3.16).
    """
    with source.open("rb") if isinstance(source, Path) else nullcontext(source) as file:
        length = file.seek(0, io.SEEK_END)
        file.seek(max(0, length - _END_BYTES - 2**16 - _LOCATOR_BYTES))
        tail = file.read()
        at = tail.rfind(b"PK\x05\x06")
        sizes = [_number(tail, at + 12, 4)] if at >= 0 else []
        if at >= _LOCATOR_BYTES and tail[at - _LOCATOR_BYTES :].startswith(b"PK\x06\x07"):
            file.seek(min(length, _number(tail, at - _LOCATOR_BYTES + 8, 8)))
            sizes.append(_number(file.read(_END64_BYTES), 40, 8))
        file.seek(0)
    if max(sizes, default=0) > MAX_DIRECTORY_BYTES:
        raise BadArchiveError(f"holds more than {MAX_MEMBERS} files", fix=FIX)


_END_BYTES, _LOCATOR_BYTES, _END64_BYTES = 22, 20, 56


def _number(data: bytes, at: int, length: int) -> int:
    return int.from_bytes(data[at : at + length], "little")


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
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise BadArchiveError("is packed in a way that no export is", fix=FIX)
        members[info.filename] = info
    if JSON_NAME not in members:
        raise BadArchiveError(f"has no {JSON_NAME}", fix=FIX)
    if sum(info.file_size for info in infos) > MAX_TOTAL_BYTES:
        raise BadArchiveError("would be far too large unpacked", fix=FIX)
    return members


def _unpacking(
    archive: zipfile.ZipFile, info: zipfile.ZipInfo, *, most: int
) -> Generator[bytes, None, None]:
    """Give a member's bytes in chunks; counted as they come, whatever its header says."""
    count, allowed = 0, min(most, MAX_RATIO * info.compress_size + FREE_BYTES)
    try:
        with archive.open(info) as file:
            while chunk := file.read(_CHUNK):
                count += len(chunk)
                if count > allowed:
                    break
                yield chunk
    except DAMAGE as fault:
        raise BadArchiveError("is damaged", fix=FIX, where=info.filename) from fault
    if count > most:
        raise BadArchiveError(
            f"holds a file of more than {most // 2**20} MB", fix=FIX, where=info.filename
        )
    if count > allowed:
        raise BadArchiveError(
            f"is packed more than {MAX_RATIO} times, as no export is", fix=FIX, where=info.filename
        )


def content_of(archive: zipfile.ZipFile, members: Mapping[str, zipfile.ZipInfo]) -> Archive:
    """Return ``records.json`` as a value, everything in it checked."""
    with closing(_unpacking(archive, members[JSON_NAME], most=MAX_JSON_BYTES)) as chunks:
        return read_archive(chunk.decode("ascii") for chunk in chunks)


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
        data = b"".join(_unpacking(archive, members[name], most=MAX_STORED_BYTES))
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
