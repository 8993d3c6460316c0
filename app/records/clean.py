"""Is a picture file nothing but its picture?

A stored photo holds no camera notes, no place, no comment and nothing behind the
picture. What comes in by an import is held to the same.
"""

from __future__ import annotations

import struct

# ITU-T T.81, table B.1.
_SOI, _EOI, _SOS, _APP0 = 0xD8, 0xD9, 0xDA, 0xE0
_PICTURE_MARKERS = {0xC0, 0xC1, 0xC2, 0xC4, 0xDB, 0xDD, _SOS}  # frames, tables, restarts, scan
_JFIF_LENGTH = 16  # without a thumbnail
_STUFFED = {0x00, *range(0xD0, 0xD8)}  # an FF inside a scan that is no marker

_PNG_HEAD = b"\x89PNG\r\n\x1a\n"
_PNG_CHUNKS = {b"IHDR", b"PLTE", b"IDAT", b"IEND"}


def is_bare_picture(data: bytes, kind: str) -> bool:
    """Return whether the bytes are a JPEG or PNG with nothing but the picture in it."""
    try:
        return _is_bare_jpeg(data) if kind == "jpeg" else _is_bare_png(data)
    except (IndexError, struct.error):
        return False


def _is_bare_jpeg(data: bytes) -> bool:
    if data[:2] != bytes((0xFF, _SOI)):
        return False
    at = 2
    while True:
        if data[at] != 0xFF:
            return False
        marker = data[at + 1]
        if marker == _EOI:
            return at + 2 == len(data)
        (length,) = struct.unpack_from(">H", data, at + 2)
        if marker == _APP0:
            if data[at + 4 : at + 9] != b"JFIF\0" or length != _JFIF_LENGTH:
                return False
        elif marker not in _PICTURE_MARKERS:
            return False
        at += 2 + length
        if marker == _SOS:
            at = _end_of_scan(data, at)


def _end_of_scan(data: bytes, at: int) -> int:
    while True:
        at = data.find(b"\xff", at)
        if at < 0:
            raise IndexError
        if data[at + 1] not in _STUFFED:
            return at
        at += 2


def _is_bare_png(data: bytes) -> bool:
    if data[:8] != _PNG_HEAD:
        return False
    at = 8
    while True:
        length = int.from_bytes(data[at : at + 4], "big")
        kind = data[at + 4 : at + 8]
        if kind not in _PNG_CHUNKS:
            return False
        at += 12 + length
        if kind == b"IEND":
            return at == len(data)
