"""What do a file's first bytes claim, before anything is decoded?

Kind, size and number of scans are read here by hand where the libraries would already
allocate or loop for them: a WebP of 38 bytes makes its decoder take 1.1 GB, a JPEG of 24 MB
of fill bytes keeps a header reader busy for 20 s. What no phone writes is refused.
"""

from __future__ import annotations

import re
import struct
import zlib

from rules.errors import PhotoError
from vision.problems import photo_error

MAX_PIXELS = 60_000_000
"""Most pixels that are decoded: past every phone's usual modes, and 180 MB at most."""

MIN_SIDE_PX = 32
"""Smaller pictures are icons, not photos."""

MAX_RATIO = 20
"""Longest over shortest side: a phone's widest panorama has about 10."""

MAX_SCANS = 100
"""Scans of a progressive JPEG: encoders write about ten, and each costs a pass over the
picture. The same limit as browsers' decoders set."""

MAX_FILL_BYTES = 1 << 16
"""Bytes 0xFF that may stand before JPEG markers (ITU-T T.81, B.1.1.2, allows any number)."""

KINDS_IN_WORDS = "JPEG, PNG, WebP, HEIC or AVIF"

_FIRST_BYTES = ((b"\xff\xd8\xff", "JPEG"), (b"\x89PNG\r\n\x1a\n", "PNG"))
"""ISO/IEC 10918-1 and the PNG specification (W3C, 5.2)."""

_STILL_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"mif1", b"mif2", b"avif"})
"""Brands of HEIC and AVIF stills (ISO/IEC 23008-12; AV1 image format), cut short if unopened."""

_LOOKS_LIKE = (
    (b"%PDF", "a PDF"),
    (b"GIF8", "a GIF"),
    (b"BM", "a BMP"),
    (b"II*\x00", "a TIFF or camera raw"),
    (b"MM\x00*", "a TIFF or camera raw"),
    (b"PK\x03\x04", "a ZIP archive"),
    (b"\x00\x00\x00\x0cjP  ", "a JPEG 2000"),
    (b"<svg", "an SVG"),
    (b"<?xml", "an XML"),
)

_NEXT_MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")
"""A marker that ends a scan: no stuffed zero, no restart (ITU-T T.81, B.1.1.3 and B.2.1)."""

_START_OF_SCAN, _END_OF_IMAGE = 0xDA, 0xD9  # ITU-T T.81, table B.1
_WITHOUT_LENGTH = frozenset({0x01, *range(0xD0, 0xD9)})


def kind_of(data: bytes) -> str | None:
    """Return ``JPEG`` or ``PNG`` where the first bytes say so, None for anything else."""
    return next((kind for magic, kind in _FIRST_BYTES if data.startswith(magic)), None)


def check_claims(data: bytes, name: str) -> int:
    """Refuse what would cost too much even to open; return how many scans a JPEG says it has.

    Raises:
        PhotoError: ``damaged``, ``too_many_scans``, ``too_many_pixels``, ``too_small`` or
            ``odd_shape``.
    """
    kind, scans = kind_of(data), 0
    if kind == "JPEG":
        if data.count(b"\xff\xff") * 2 > MAX_FILL_BYTES:
            raise photo_error("damaged", where=name)
        scans = scans_of(data)
        if scans > MAX_SCANS:
            raise photo_error("too_many_scans", where=name, most=MAX_SCANS)
    elif kind == "PNG" and not _sums_hold(data):
        raise photo_error("damaged", where=name)
    size = _webp_size(data)
    if size is not None:
        check_size(*size, name)
    return scans


def _sums_hold(data: bytes) -> bool:
    """Return whether each chunk of a PNG that is the picture has its checksum (W3C, PNG, 5.5).

    Pillow passes over those of the pixels, and over what is wrong behind the last row.
    """
    at = 8
    while at + 12 <= len(data):
        end = at + 12 + int.from_bytes(data[at : at + 4], "big")
        is_critical = data[at + 4 : at + 5].isupper()
        said = int.from_bytes(data[end - 4 : end], "big")
        if is_critical and end <= len(data) and zlib.crc32(data[at + 4 : end - 4]) != said:
            return False
        at = end
    return True


def check_size(width: int, height: int, name: str) -> None:
    """Refuse sizes and shapes that no phone takes.

    Raises:
        PhotoError: ``too_many_pixels``, ``too_small`` or ``odd_shape``.
    """
    if width * height > MAX_PIXELS:
        raise too_many_pixels((width, height), name)
    if min(width, height) < MIN_SIDE_PX:
        raise photo_error("too_small", where=name, width=width, height=height)
    if max(width, height) > MAX_RATIO * min(width, height):
        raise photo_error("odd_shape", where=name, width=width, height=height)


def scans_of(data: bytes) -> int:
    """Return how many scans a JPEG's first picture holds, up to just past :data:`MAX_SCANS`.

    Segments and scans are skipped whole.
    """
    scans, at = 0, 2
    while at + 1 < len(data) and data[at] == 0xFF and scans <= MAX_SCANS:
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        scans += marker == _START_OF_SCAN
        at += 2
        if marker in _WITHOUT_LENGTH:
            continue
        if marker == _END_OF_IMAGE or at + 2 > len(data):
            break
        at += struct.unpack_from(">H", data, at)[0]
        if marker == _START_OF_SCAN:
            found = _NEXT_MARKER.search(data, at)
            at = found.start() if found is not None else len(data)
    return scans


def _webp_size(data: bytes) -> tuple[int, int] | None:
    """Return width and height by a WebP's header (RFC 9649, 2.5 to 2.7), None for others."""
    if data[:4] != b"RIFF" or data[8:12] != b"WEBP" or len(data) < 30:
        return None
    kind, body = data[12:16], data[20:30]
    if kind == b"VP8X":
        return (
            1 + int.from_bytes(body[4:7], "little"),
            1 + int.from_bytes(body[7:10], "little"),
        )
    if kind == b"VP8L":
        bits = int.from_bytes(body[1:5], "little")
        return 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF)
    if kind == b"VP8 ":
        width, height = struct.unpack_from("<HH", body, 6)
        return width & 0x3FFF, height & 0x3FFF
    return None


def too_many_pixels(size: tuple[int, int] | None, name: str) -> PhotoError:
    """Return the error for a picture with too many pixels."""
    told = f"the picture is {size[0]} x {size[1]} pixels" if size else "the picture is enormous"
    return photo_error(
        "too_many_pixels", where=name, told=told, most_megapixels=MAX_PIXELS // 10**6
    )


def not_a_photo(data: bytes, name: str) -> PhotoError:
    """Return the error that says what a file that no decoder knows seems to be."""
    head = data[:16].lstrip()
    looks = next((words for magic, words in _LOOKS_LIKE if head.startswith(magic)), None)
    if looks is None and data[4:8] == b"ftyp":
        if data[8:12] in _STILL_BRANDS:
            return photo_error("damaged", where=name)
        looks = "a video"
    if looks is None:
        return photo_error("not_a_photo", where=name, kinds=KINDS_IN_WORDS)
    return photo_error("wrong_kind", where=name, looks=looks, kinds=KINDS_IN_WORDS)
