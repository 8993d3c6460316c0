"""One small picture in every kind of file that is decoded."""

from __future__ import annotations

import io
import struct
import zlib
from functools import cache

import numpy as np
import pillow_heif
from PIL import Image

WIDTH, HEIGHT = 72, 48
FORMATS = ("jpeg", "jpeg_progressive", "mpo", "png", "png_16", "webp", "heic", "avif")


def scene(width: int = WIDTH, height: int = HEIGHT) -> np.ndarray:
    """A picture that no turn or mirror maps to itself: red left, blue right, bright top."""
    y, x = np.mgrid[0:height, 0:width]
    red = 230 - 150 * x / width
    blue = 40 + 180 * x / width
    return np.stack([red, 200 - 140 * y / height, blue], axis=-1).round().astype(np.uint8)


def saved(picture: Image.Image, kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **options)
    return out.getvalue()


def png_16_bit(rgb16: np.ndarray) -> bytes:
    """A 16-bit PNG written chunk by chunk (PNG specification, ISO/IEC 15948)."""

    def chunk(name: bytes, body: bytes) -> bytes:
        crc = zlib.crc32(name + body)
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", crc)

    height, width = rgb16.shape[:2]
    colour_type = 2 if rgb16.ndim == 3 else 0
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in rgb16)
    header = struct.pack(">IIBBBBB", width, height, 16, colour_type, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )


@cache
def photo_bytes(kind: str) -> bytes:
    picture = Image.fromarray(scene())
    if kind == "jpeg":
        return saved(picture, "JPEG", quality=95, subsampling=0)
    if kind == "jpeg_progressive":
        return saved(picture, "JPEG", quality=95, subsampling=0, progressive=True)
    if kind == "mpo":
        depth = Image.new("L", (WIDTH // 2, HEIGHT // 2), 90).convert("RGB")
        options = {"quality": 95, "subsampling": 0}
        return saved(picture, "MPO", save_all=True, append_images=[depth], **options)
    if kind == "png_16":
        return png_16_bit(scene().astype(np.uint16) * 257)
    if kind == "heic":
        out = io.BytesIO()
        pillow_heif.from_pillow(picture).save(out, quality=95, chroma=444)
        return out.getvalue()
    options = {"png": {}, "webp": {"quality": 95}, "avif": {"quality": 95}}[kind]
    return saved(picture, kind.upper(), **options)


def mean_difference(rgb: np.ndarray, truth: np.ndarray) -> float:
    assert rgb.shape == truth.shape
    return float(np.abs(rgb.astype(int) - truth.astype(int)).mean())
