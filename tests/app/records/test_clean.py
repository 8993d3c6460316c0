"""Whether a file is nothing but its picture, asked of files that Pillow and OpenCV wrote."""

from __future__ import annotations

import io
import struct
import zlib

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from app.records.clean import is_bare_picture

PIXELS = np.random.default_rng(1).integers(0, 256, (24, 32, 3), dtype=np.uint8)


def by_opencv(kind: str, **settings: int) -> bytes:
    flags = [value for pair in settings.items() for value in (getattr(cv2, pair[0]), pair[1])]
    done, coded = cv2.imencode(f".{kind}", PIXELS, flags)
    assert done
    return coded.tobytes()


def by_pillow(kind: str, **said: object) -> bytes:
    out = io.BytesIO()
    Image.fromarray(PIXELS).save(out, kind, **said)
    return out.getvalue()


def exif() -> Image.Exif:
    notes = Image.Exif()
    notes[0x010F] = "maker"  # TIFF 6.0: Make
    return notes


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("jpeg", by_opencv("jpg")),
        ("jpeg", by_opencv("jpg", IMWRITE_JPEG_PROGRESSIVE=1)),
        ("jpeg", by_opencv("jpg", IMWRITE_JPEG_RST_INTERVAL=2)),
        ("jpeg", by_opencv("jpg", IMWRITE_JPEG_OPTIMIZE=1)),
        ("jpeg", by_pillow("jpeg")),
        ("png", by_opencv("png")),
        ("png", by_pillow("png")),
    ],
)
def test_what_encoders_write_is_a_bare_picture(kind: str, data: bytes) -> None:
    assert is_bare_picture(data, kind)
    assert not is_bare_picture(data, "png" if kind == "jpeg" else "jpeg")


def chunk(kind: bytes, body: bytes) -> bytes:
    """A chunk by the PNG specification (W3C, third edition, 5.3)."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


@pytest.mark.parametrize(
    "data",
    [
        by_pillow("jpeg", exif=exif()),
        by_pillow("jpeg", comment=b"the shed behind the mill"),
        by_pillow("jpeg", icc_profile=b"profile"),
        by_pillow("jpeg", xmp=b"<x:xmpmeta/>"),
        by_opencv("jpg") + b"a second picture",
        by_opencv("jpg") + by_opencv("jpg"),
        by_opencv("jpg")[:-40],
        b"",
        b"\xff\xd8",
    ],
)
def test_a_jpeg_with_more_or_less_than_the_picture_is_none(data: bytes) -> None:
    assert not is_bare_picture(data, "jpeg")


def text_in_png() -> bytes:
    notes = PngInfo()
    notes.add_text("Comment", "the shed behind the mill")
    return by_pillow("png", pnginfo=notes)


@pytest.mark.parametrize(
    "data",
    [
        text_in_png(),
        by_pillow("png", exif=exif()),
        by_pillow("png", icc_profile=b"profile"),
        by_pillow("png") + b"behind",
        by_pillow("png") + chunk(b"tEXt", b"a"),
        by_pillow("png")[:-4],
        by_pillow("png")[:20],
    ],
)
def test_a_png_with_more_or_less_than_the_picture_is_none(data: bytes) -> None:
    assert not is_bare_picture(data, "png")


@given(st.sampled_from(["jpeg", "png"]), st.binary(max_size=60))
def test_no_bytes_break_it(kind: str, data: bytes) -> None:
    head = by_pillow(kind)[:200]
    assert not is_bare_picture(data, kind)
    assert not is_bare_picture(head + data, kind)
