"""Photos as somebody who means harm would hand them in: bombs by hand, damage by chance."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator
from functools import cache

import numpy as np
import pillow_heif
from PIL import Image

WIDTH, HEIGHT = 96, 64
KINDS = ("jpeg", "jpeg_progressive", "mpo", "png", "webp", "heic", "avif")


@cache
def sound(kind: str) -> bytes:
    """Return a small sound photo of one kind, with some detail in it."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    base = np.stack([200 - x, 90 + y, 40 + x + y], axis=-1)
    rgb = np.clip(base + rng.normal(0, 12, base.shape), 0, 255).astype(np.uint8)
    picture, out = Image.fromarray(rgb), io.BytesIO()
    if kind == "heic":
        pillow_heif.from_pillow(picture).save(out, quality=80)
    elif kind == "mpo":
        picture.save(out, "MPO", save_all=True, append_images=[picture.resize((48, 32))])
    elif kind == "jpeg_progressive":
        picture.save(out, "JPEG", quality=85, progressive=True)
    else:
        picture.save(out, kind.upper())
    return out.getvalue()


def mutants(kind: str, count: int, *, seed: int) -> Iterator[bytes]:
    """Yield damaged copies: bytes changed, runs cut out, doubled or filled, ends cut off."""
    whole = sound(kind)
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    for _ in range(count):
        data = bytearray(whole)
        for _ in range(int(rng.integers(1, 4))):
            at = int(rng.integers(0, max(len(data), 1)))
            run = int(rng.integers(1, 64))
            match int(rng.integers(0, 6)):
                case 0:
                    data[at : at + 1] = bytes([int(rng.integers(256))])
                case 1:
                    del data[at : at + run]
                case 2:
                    data[at:at] = data[at : at + run]
                case 3:
                    data[at : at + run] = bytes([int(rng.choice([0, 255]))]) * run
                case 4:
                    data[at : at + 4] = struct.pack(">I", int(rng.integers(2**32)))
                case 5:
                    del data[max(at, 8) :]
        yield bytes(data)


def png_with_a_changed_pixel_byte(place: int) -> bytes:
    """Return the sound PNG with one byte of its packed pixels changed, checksum as it was."""
    data = bytearray(sound("png"))
    start = data.index(b"IDAT") + 4
    length = int.from_bytes(data[start - 8 : start - 4], "big")
    data[start + place % length] ^= 0x55
    return bytes(data)


def jpeg_of_many_scans(scans: int) -> bytes:
    """Return a progressive JPEG whose last scan stands there many times (123 KB did 30 s)."""
    data = sound("jpeg_progressive")
    last = data.rindex(b"\xff\xda")
    end = data.rindex(b"\xff\xd9")
    return data[:last] + data[last:end] * scans + data[end:]


def jpeg_of_fill_bytes(count: int) -> bytes:
    """Return a JPEG with fill bytes before its first marker (24 MB kept a reader 21 s)."""
    data = sound("jpeg")
    return data[:2] + b"\xff" * count + data[2:]


def webp_that_claims(width: int, height: int) -> bytes:
    """Return 38 bytes whose header claims a large picture (1.1 GB went to opening it)."""
    size = (width - 1).to_bytes(3, "little") + (height - 1).to_bytes(3, "little")
    body = b"WEBP" + b"VP8X" + struct.pack("<I", 10) + b"\x02\0\0\0" + size + b"ANIM\0\0\0\0"
    return b"RIFF" + struct.pack("<I", len(body)) + body


def png_of_zeros(width: int, height: int, *, bits: int = 8, colour: int = 0) -> bytes:
    """Return a black PNG, small as a file and large when it is opened."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        )

    channels = {0: 1, 2: 3}[colour]
    row = b"\0" * (1 + (width * bits * channels + 7) // 8)
    packer = zlib.compressobj(6)
    packed = b"".join(packer.compress(row) for _ in range(height)) + packer.flush()
    header = struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")
    )
