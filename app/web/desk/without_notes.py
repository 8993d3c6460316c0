"""A photo's file without what the camera and others wrote beside the picture.

The picture's own bytes stay as they are, so it is measured as it came. What stays with
them: colours (profile), which way is up, the focal length, which tells the phone's slant,
and whether the flash fired. Everything else goes: place, time, owner, camera, comments, and
whatever lies behind the picture (further pictures, a film). A file of no known kind is cut to
its first bytes, by which it is told what it is.
"""

from __future__ import annotations

import re
import struct
import warnings
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

HEAD_BYTES = 16
"""So much of a file that is no photo is kept: its kind, and nothing that it says."""

_ORIENTATION, _EXIF, _FLASH, _FOCAL_35MM = 0x0112, 0x8769, 0x9209, 0xA405
_EXIF_HEAD = b"Exif\0\0"
_NO_FACTS = b"II*\0\x08\0\0\0\0\0\0\0\0\0"
"""A TIFF block that says nothing: one directory without an entry (TIFF 6.0, section 2)."""

# ITU-T T.81, table B.1; RST and TEM stand alone, all others carry their length.
_SOI, _EOI, _SOS, _APP0, _APP1, _APP2, _APP14 = 0xD8, 0xD9, 0xDA, 0xE0, 0xE1, 0xE2, 0xEE
_APPS_AND_COMMENT = {*range(0xE0, 0xF0), *range(0xF0, 0xFF)}  # APPn, JPGn, COM
_ALONE = {0x01, *range(0xD0, 0xD8)}
_JFIF_LENGTH = 16
_NO_FILL = re.compile(b"[^\xff]")

_PNG_HEAD = b"\x89PNG\r\n\x1a\n"
_PNG_KEPT = {
    *(b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS"),
    *(b"cHRM", b"gAMA", b"iCCP", b"sBIT", b"sRGB", b"cICP", b"mDCV", b"cLLI", b"bKGD"),
}
"""The picture and its colours (W3C, PNG specification, third edition, clause 11)."""

_WEBP_KEPT = {b"VP8X", b"VP8 ", b"VP8L", b"ALPH", b"ICCP", b"ANIM", b"ANMF"}
_WEBP_FIRST = {b"VP8X", b"VP8 ", b"VP8L"}
_WEBP_XMP, _WEBP_EXIF = 0x04, 0x08
"""Flags in the first byte of VP8X (RFC 9649, 2.7.1)."""

_BOXES_KEPT = {b"ftyp", b"meta", b"mdat", b"free", b"skip"}
_TEXT_KINDS = {b"Exif", b"mime", b"uri "}


def without_notes(data: bytes) -> bytes:
    """Return a photo's file with nothing in it but the picture; see the module.

    Never fails: what is cut short or damaged stays so, and is told when it is read.
    """
    if data.startswith(b"\xff\xd8\xff"):
        return b"".join(_jpeg(data))
    if data.startswith(_PNG_HEAD):
        return b"".join(_png(data))
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return _webp(data)
    if data[4:8] == b"ftyp":
        try:
            return _heif(data)
        except (struct.error, ValueError, IndexError):
            return data[:HEAD_BYTES]
    return data[:HEAD_BYTES]


# -- what stays of the camera's notes ------------------------------------------------


def _facts(exif: bytes) -> bytes:
    """Return a TIFF block with orientation, focal length and flash; empty without all of them."""
    from PIL import Image as PillowImage

    kept = PillowImage.Exif()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of what is malformed, as when the photo is read
            told = PillowImage.Exif()
            told.load(exif)
            orientation, camera = told.get(_ORIENTATION), told.get_ifd(_EXIF)
            focal, flash = camera.get(_FOCAL_35MM), camera.get(_FLASH)
        if isinstance(orientation, int) and 1 < orientation <= 8:
            kept[_ORIENTATION] = orientation
        if focal and 0 < float(focal) < 0x10000:
            kept.get_ifd(_EXIF)[_FOCAL_35MM] = round(float(focal))
        if isinstance(flash, int):
            kept.get_ifd(_EXIF)[_FLASH] = flash & 1
        told_any = len(kept) or focal or isinstance(flash, int)
        return kept.tobytes().removeprefix(_EXIF_HEAD) if told_any else b""
    except Exception:  # malformed notes make the reader raise whatever it likes
        return b""


# -- JPEG: markers -----------------------------------------------------------------


def _jpeg(data: bytes) -> Iterator[bytes]:
    """Give the pieces of a JPEG that are the picture (ITU-T T.81, B.1).

    What lies astray between the segments may have been notes: zeros stand in its place, so
    that a damaged file is told as one all the same.
    """
    yield data[:2]
    at, has_facts = 2, False
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            found = data.find(b"\xff", at)
            end = len(data) if found < 0 else found
            yield bytes(end - at)
            at = end
            continue
        if data[at + 1] == 0xFF:  # fill bytes
            found_other = _NO_FILL.search(data, at)
            end = len(data) if found_other is None else found_other.start()
            yield data[at : end - 1]
            at = end - 1
            if found_other is None:
                return
            continue
        marker = data[at + 1]
        if marker == _EOI:
            yield data[at : at + 2]
            return
        if marker in _ALONE or marker in (0x00, _SOI):
            yield data[at : at + 2]
            at += 2
            continue
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        segment = data[at : at + 2 + length]
        at += 2 + length
        if marker == _APP1 and segment[4:10] == _EXIF_HEAD and not has_facts:
            facts = _facts(segment[4:])
            has_facts = bool(facts)
            body = _EXIF_HEAD + facts if facts else b""
            yield b"\xff\xe1" + struct.pack(">H", 2 + len(body)) + body if facts else b""
        elif marker not in _APPS_AND_COMMENT:
            yield segment
        else:
            yield _kept_app(marker, segment)
        if marker == _SOS:
            end = _end_of_scan(data, at)
            yield data[at:end]
            at = end
    if data[at : at + 2] == b"\xff\xd9":
        yield b"\xff\xd9"


def _kept_app(marker: int, segment: bytes) -> bytes:
    """Return what stays of an application segment: how to read the colours."""
    body = segment[4:]
    if marker == _APP0 and body[:5] == b"JFIF\0" and len(segment) >= 2 + _JFIF_LENGTH:
        whole = bytearray(segment[: 2 + _JFIF_LENGTH])  # without its thumbnail
        whole[2:4] = struct.pack(">H", _JFIF_LENGTH)
        whole[-2:] = b"\0\0"
        return bytes(whole)
    is_profile = marker == _APP2 and body[:12] == b"ICC_PROFILE\0"
    is_transform = marker == _APP14 and body[:5] == b"Adobe"
    return segment if is_profile else segment[:16] if is_transform else b""


def _end_of_scan(data: bytes, at: int) -> int:
    """Return where the coded pixels end: at the next marker that is none of theirs."""
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            return len(data)
        after = data[at + 1]
        if after == 0xFF:
            at += 1
        elif after == 0x00 or after in _ALONE:
            at += 2
        else:
            return at


# -- PNG, WebP: chunks ---------------------------------------------------------------


def _png(data: bytes) -> Iterator[bytes]:
    yield _PNG_HEAD
    at, has_facts = len(_PNG_HEAD), False
    while at + 8 <= len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        kind, end = data[at + 4 : at + 8], at + 12 + length
        if kind in _PNG_KEPT:
            yield data[at:end]
        elif kind == b"eXIf" and not has_facts:
            facts = _facts(data[at + 8 : at + 8 + length])
            has_facts = bool(facts)
            if facts:
                body = b"eXIf" + facts
                yield struct.pack(">I", len(facts)) + body + struct.pack(">I", zlib.crc32(body))
        if kind == b"IEND":
            return
        at = end


def _webp(data: bytes) -> bytes:
    """Return a WebP without the chunks that are no picture (RFC 9649, 2.3 and 2.7)."""
    if data[12:16] not in _WEBP_FIRST:  # damaged: without its head the rest reads otherwise
        return data[:HEAD_BYTES]
    chunks: list[bytes] = []
    at, facts = 12, b""
    until = min(len(data), 8 + int.from_bytes(data[4:8], "little"))
    while at + 8 <= until:
        kind, length = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "little")
        end = at + 8 + length + length % 2
        if kind in _WEBP_KEPT:
            chunks.append(data[at : min(end, until)])
        elif kind == b"EXIF" and not facts:
            facts = _facts(data[at + 8 : at + 8 + length])
        at = end
    if chunks and chunks[0][:4] == b"VP8X" and len(chunks[0]) > 8:
        facts = facts if chunks[0][8] & _WEBP_EXIF else b""  # unsaid, they are not read
        flags = chunks[0][8] & ~(_WEBP_XMP | _WEBP_EXIF) | (_WEBP_EXIF if facts else 0)
        chunks[0] = chunks[0][:8] + bytes((flags,)) + chunks[0][9:]
        if facts:
            padded = facts + b"\0" * (len(facts) % 2)
            chunks.append(b"EXIF" + struct.pack("<I", len(facts)) + padded)
    body = b"WEBP" + b"".join(chunks)
    # A file that was cut short says so by its length, as before.
    missing = max(0, 8 + int.from_bytes(data[4:8], "little") - len(data), at - until)
    return b"RIFF" + struct.pack("<I", min(len(body) + missing, 2**32 - 1)) + body


# -- HEIC, AVIF: boxes -----------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Box:
    """A box of an ISO base media file: its kind, where it begins, its body, where it ends."""

    kind: bytes
    at: int
    body: int
    end: int


def _boxes(data: bytes | bytearray, at: int, until: int) -> Iterator[_Box]:
    """Give the boxes between two places (ISO/IEC 14496-12, 4.2)."""
    while at + 8 <= until:
        size, kind = struct.unpack_from(">I4s", data, at)
        body = at + 8
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, body)
            body += 8
        elif size == 0:
            size = until - at
        if size < body - at:
            raise ValueError("a box is smaller than its own head")
        end = min(at + size, until)
        yield _Box(kind=bytes(kind), at=at, body=body, end=end)
        at = end


def _heif(data: bytes) -> bytes:
    """Return a HEIC or AVIF whose notes are written over; the places of the rest don't move.

    Which bytes are notes stands in the ``meta`` box: ``iinf`` names the items of kind
    Exif, mime (XMP) and uri, ``iloc`` says where each lies (ISO/IEC 14496-12, 8.11).
    """
    out = bytearray(data)
    for box in _boxes(data, 0, len(data)):
        if box.kind == b"meta":
            inside = {one.kind: one for one in _boxes(data, box.body + 4, box.end)}
            if b"iinf" not in inside or b"iloc" not in inside:
                raise ValueError("the file doesn't say where its notes are")
            notes = _text_items(data, inside[b"iinf"])
            places = list(_places(data, inside[b"iloc"], inside.get(b"idat")))
            pictures = [(start, end) for item, start, end in places if item not in notes]
            # What says where all of that is isn't to be written over either.
            pictures += [(one.at, one.end) for kind, one in inside.items() if kind != b"idat"]
            for item, start, end in places:
                if item not in notes:
                    continue
                if any(start < other_end and other < end for other, other_end in pictures):
                    raise ValueError("the notes lie on the picture")
                _write_over(out, start, end, is_exif=notes[item] == b"Exif")
        elif box.kind == b"mini":  # picture and notes in one box, which nothing here reads
            raise ValueError("a kind of box that is not known")
        elif box.kind not in _BOXES_KEPT:
            out[box.at + 4 : box.at + 8] = b"free"
            out[box.body : box.end] = bytes(box.end - box.body)
        if box.kind in (b"free", b"skip"):
            out[box.body : box.end] = bytes(box.end - box.body)
    return bytes(out)


def _text_items(data: bytes, iinf: _Box) -> dict[int, bytes]:
    """Return the kind of each item that is no picture, by its id."""
    at = iinf.body + (6 if data[iinf.body] == 0 else 8)
    found = {}
    for infe in _boxes(data, at, iinf.end):
        version = data[infe.body]
        if version < 2:
            raise ValueError("an old kind of item list")
        wide = version == 3
        item, _, kind = struct.unpack_from(">IH4s" if wide else ">HH4s", data, infe.body + 4)
        if kind in _TEXT_KINDS:
            found[item] = kind
    return found


def _places(data: bytes, iloc: _Box, idat: _Box | None) -> Iterator[tuple[int, int, int]]:
    """Give the id, the start and the end of each part of each item."""
    version = data[iloc.body]
    at = iloc.body + 4
    sizes = struct.unpack_from(">BB", data, at)
    offset_size, length_size = sizes[0] >> 4, sizes[0] & 15
    base_size, index_size = sizes[1] >> 4, (sizes[1] & 15 if version in (1, 2) else 0)
    at += 2

    def number(size: int) -> int:
        nonlocal at
        if at + size > iloc.end:
            raise IndexError("the list of places is cut short")
        value = int.from_bytes(data[at : at + size], "big")
        at += size
        return value

    for _ in range(number(4 if version == 2 else 2)):
        item = number(4 if version == 2 else 2)
        method = number(2) & 15 if version in (1, 2) else 0
        number(2)
        base = number(base_size)
        for _ in range(number(2)):
            number(index_size)
            start, length = base + number(offset_size), number(length_size)
            if method == 1 and idat is not None:
                start += idat.body
            if method in (0, 1):
                yield item, start, start + length if length else len(data)


def _write_over(out: bytearray, start: int, end: int, *, is_exif: bool) -> None:
    """Blank a part of an item; the facts that stay are written in its place."""
    end = min(end, len(out))
    if not 0 <= start < end:
        return
    # An Exif item begins with how far on its TIFF block begins (ISO/IEC 23008-12, A.2.1).
    skipped = 4 + int.from_bytes(out[start : start + 4], "big")
    facts = _facts(bytes(out[start + skipped : end])) if is_exif else b""
    blocks = (bytes(4) + facts, bytes(4) + _NO_FACTS) if facts else (bytes(4) + _NO_FACTS,)
    fitting = (block for block in blocks if is_exif and len(block) <= end - start)
    out[start:end] = next(fitting, b"").ljust(end - start, b"\0" if is_exif else b" ")
