"""Bytes to pixels: against Pillow as the reference library, and no decoder's fault ignored."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from rules.errors import PhotoError
from tests.hostile import photos
from vision.photo.decoding import decode


@pytest.mark.parametrize("kind", photos.KINDS)
def test_pixels_are_those_of_the_reference_library(kind: str) -> None:
    data = photos.sound(kind)
    ours = decode(data, name="piece").rgb
    with Image.open(io.BytesIO(data)) as picture:
        theirs = np.asarray(picture.convert("RGB"))
    assert np.abs(ours.astype(int) - theirs).max() <= 2


def test_a_decoders_warning_is_a_fault() -> None:
    """libjpeg only warns of bytes between the scan and its end, and gives a picture."""
    whole = photos.sound("jpeg")
    stuffed = whole[:-2] + b"\x12\x34" * 7 + whole[-2:]
    with Image.open(io.BytesIO(stuffed)) as picture:
        picture.load()  # no complaint from here
    with pytest.raises(PhotoError) as caught:
        decode(stuffed, name="piece")
    assert caught.value.code == "damaged"


def test_sixteen_bits_are_rounded_to_eight() -> None:
    """65535 / 257 = 255: the two scales meet at both ends (PNG specification, 13.12)."""
    ramp = np.arange(0, 65536, 16, dtype=np.uint16).reshape(64, 64)
    out = io.BytesIO()
    Image.fromarray(ramp).save(out, "PNG")
    decoded = decode(out.getvalue(), name="ramp")
    assert np.array_equal(decoded.rgb[..., 0], np.round(ramp / 257).astype(np.uint8))
    assert decoded.notes == ("16-bit grey scaled to 8 bits",)
