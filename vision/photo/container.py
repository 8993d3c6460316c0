"""What do a file's first bytes claim, before anything is decoded?

Kind, size and number of scans are read here by hand where the libraries would already
allocate or loop for them: a WebP of 38 bytes makes its decoder take 1.1 GB, a JPEG of 24 MB
of fill bytes keeps a header reader busy for 20 s. What no phone writes is refused.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator

from rules.errors import PhotoError

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

_START_OF_SCAN, _END_OF_IMAGE = 0xDA, 0xD9
_WITHOUT_LENGTH = frozenset({0x01, 0xD8, *range(0xD0, 0xD8)})


def kind_of(data: bytes) -> str | None:
    """Return ``JPEG`` or ``PNG`` where the first bytes say so, None for anything else."""
    return next((kind for magic, kind in _FIRST_BYTES if data.startswith(magic)), None)


def check_claims(data: bytes, name: str) -> None:
    """Refuse what would cost too much even to open.

    Raises:
        PhotoError: ``damaged``, ``too_many_scans``, ``too_many_pixels``, ``too_small`` or
            ``odd_shape``.
    """
    if kind_of(data) == "JPEG":
        if data.count(b"\xff\xff") * 2 > MAX_FILL_BYTES:
            raise damaged(name)
        if scans_of(data) > MAX_SCANS:
            raise PhotoError(
                f"the picture comes in more than {MAX_SCANS} passes, as no camera writes it",
                code="too_many_scans",
                fix="Send the photo as the phone took it, or save it as an ordinary JPEG.",
                where=name,
            )
    size = _webp_size(data)
    if size is not None:
        check_size(*size, name)


def check_size(width: int, height: int, name: str) -> None:
    """Refuse sizes and shapes that no phone takes.

    Raises:
        PhotoError: ``too_many_pixels``, ``too_small`` or ``odd_shape``.
    """
    if width * height > MAX_PIXELS:
        raise too_many_pixels((width, height), name)
    if min(width, height) < MIN_SIDE_PX:
        raise PhotoError(
            f"the picture is only {width} x {height} pixels",
            code="too_small",
            fix="Send the photo in its original size, not a preview of it.",
            where=name,
        )
    if max(width, height) > MAX_RATIO * min(width, height):
        raise PhotoError(
            f"the picture is {width} x {height} pixels, a strip and no photo",
            code="odd_shape",
            fix="Send the whole photo as the phone took it.",
            where=name,
        )


def scans_of(data: bytes) -> int:
    """Return how many scans a JPEG holds, counted up to just past :data:`MAX_SCANS`."""
    scans = 0
    for marker in _markers(data):
        scans += marker == _START_OF_SCAN
        if scans > MAX_SCANS:
            break
    return scans


def _markers(data: bytes) -> Iterator[int]:
    """Yield the markers of a JPEG's first picture; segments and scans are skipped whole."""
    at = 2
    while at + 1 < len(data):
        if data[at] != 0xFF:
            return
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        yield marker
        if marker == _END_OF_IMAGE:
            return
        at += 2
        if marker in _WITHOUT_LENGTH:
            continue
        if at + 2 > len(data):
            return
        at += struct.unpack_from(">H", data, at)[0]
        if marker == _START_OF_SCAN:
            found = _NEXT_MARKER.search(data, at)
            if found is None:
                return
            at = found.start()


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
    return PhotoError(
        f"{told}, more than {MAX_PIXELS // 10**6} megapixels",
        code="too_many_pixels",
        fix="Set the camera to its normal resolution (12 megapixels is plenty).",
        where=name,
    )


def damaged(name: str) -> PhotoError:
    """Return the error for a file that is broken or not all there."""
    return PhotoError(
        "the file is damaged or cut short",
        code="damaged",
        fix="Send or copy the photo again, or take a new one.",
        where=name,
    )


def out_of_memory(name: str) -> PhotoError:
    """Return the error for a picture that does not fit into memory."""
    return PhotoError(
        "there is not enough memory to open this picture",
        code="out_of_memory",
        fix="Close other programs, or set the camera to its normal resolution (12 megapixels).",
        where=name,
    )


def too_slow(name: str, *, limit_s: float) -> PhotoError:
    """Return the error for a picture that takes too long to decode."""
    return PhotoError(
        f"the picture takes longer than {limit_s:.0f} s to open",
        code="too_slow",
        fix="Save it as an ordinary JPEG of 12 megapixels, or send it as the phone took it.",
        where=name,
    )


def not_a_photo(data: bytes, name: str) -> PhotoError:
    """Return the error that says what a file that no decoder knows seems to be."""
    head = data[:16].lstrip()
    looks = next((words for magic, words in _LOOKS_LIKE if head.startswith(magic)), None)
    if looks is None and data[4:8] == b"ftyp":
        if data[8:12] in _STILL_BRANDS:
            return damaged(name)
        looks = "a video"
    if looks is None:
        return PhotoError(
            "this is not a photo",
            code="not_a_photo",
            fix=f"Give a {KINDS_IN_WORDS} file straight from the phone.",
            where=name,
        )
    return PhotoError(
        f"this is {looks} file, which can't be read",
        code="wrong_kind",
        fix=f"Save or export the photo as {KINDS_IN_WORDS}.",
        where=name,
    )
