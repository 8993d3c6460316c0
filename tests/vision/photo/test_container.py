"""What a file claims before it is opened, against what the formats' documents say."""

from __future__ import annotations

import io

import pytest
from PIL import Image

from rules.errors import PhotoError
from tests.hostile import photos
from vision.photo.container import (
    MAX_PIXELS,
    MAX_RATIO,
    check_claims,
    check_size,
    kind_of,
    not_a_photo,
    scans_of,
)


def coded(kind: str, size: tuple[int, int], **options: object) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", size, (200, 120, 90)).save(out, kind, **options)
    return out.getvalue()


def code_of(data: bytes) -> str | None:
    try:
        check_claims(data, "piece")
    except PhotoError as fault:
        return fault.code
    return None


def test_jpeg_and_png_are_known_by_their_first_bytes() -> None:
    assert kind_of(photos.sound("jpeg")) == "JPEG"
    assert kind_of(photos.sound("png")) == "PNG"
    assert kind_of(photos.sound("webp")) is None


def test_scans_are_counted_as_the_encoder_wrote_them() -> None:
    """libjpeg's own script for a colour picture has ten scans (jcparam.c, from memory)."""
    assert scans_of(photos.sound("jpeg")) == 1
    assert scans_of(photos.sound("jpeg_progressive")) == 10
    assert check_claims(photos.sound("jpeg_progressive"), "piece") == 10
    assert check_claims(photos.sound("png"), "piece") == 0


def test_restarts_and_thumbnails_are_no_scans() -> None:
    """ITU-T T.81: RSTn stand inside a scan; a picture within a segment is skipped with it."""
    restarts = coded("JPEG", (320, 240), restart_marker_blocks=4)
    assert restarts.count(b"\xff\xd0") >= 10
    assert scans_of(restarts) == 1
    whole = photos.sound("jpeg")
    inner = photos.sound("jpeg_progressive")[:60_000]
    segment = b"\xff\xe1" + (len(inner) + 2).to_bytes(2, "big") + inner
    assert scans_of(whole[:2] + segment + whole[2:]) == 1


@pytest.mark.parametrize("options", [{"lossless": True}, {"quality": 80}, {"exif": b"Exif\0\0MM"}])
def test_a_webp_tells_its_size_in_each_of_its_three_headers(options: dict[str, object]) -> None:
    """RFC 9649: VP8L, VP8 and VP8X; each refused for a shape that it alone tells."""
    assert code_of(coded("WEBP", (320, 240), **options)) is None
    assert code_of(coded("WEBP", (32 * (MAX_RATIO + 2), 32), **options)) == "odd_shape"
    assert code_of(coded("WEBP", (31, 64), **options)) == "too_small"


def test_sizes_are_held_at_their_limits() -> None:
    side = int(MAX_PIXELS**0.5)
    check_size(side, side, "piece")
    for width, height, code in (
        (side + 1, side + 1, "too_many_pixels"),
        (31, 31, "too_small"),
        (40 * MAX_RATIO + 1, 40, "odd_shape"),
    ):
        with pytest.raises(PhotoError) as caught:
            check_size(width, height, "piece")
        assert caught.value.code == code


def test_what_else_it_seems_to_be_is_named() -> None:
    assert "a PDF" in not_a_photo(b"%PDF-1.7", "bill").message
    assert not_a_photo(b"\0\0\0\x18ftypheic", "photo").code == "damaged"
    assert "a video" in not_a_photo(b"\0\0\0\x18ftypisom", "clip").message
