"""What is decoded apart: only what its header warns of, and to the same photo."""

from __future__ import annotations

import numpy as np
import pytest

from rules.errors import PhotoError
from tests.hostile import photos
from vision.photo import guarded
from vision.photo.container import check_claims
from vision.photo.decoding import decode
from vision.photo.guarded import FROM_PIXELS, decode_guarded, wants_guard


def goes_apart(data: bytes) -> bool:
    return wants_guard(data, check_claims(data, "piece"))


@pytest.mark.parametrize("kind", photos.KINDS)
def test_an_ordinary_photo_is_decoded_at_once(kind: str) -> None:
    assert not goes_apart(photos.sound(kind))


def test_many_scans_and_many_pixels_are_decoded_apart() -> None:
    assert goes_apart(photos.jpeg_of_many_scans(40))
    side = int(FROM_PIXELS**0.5)
    assert not goes_apart(photos.png_of_zeros(side, side, bits=1))
    assert goes_apart(photos.png_of_zeros(side + 100, side, bits=1))


def test_a_heic_is_known_by_the_size_it_states() -> None:
    """ISO/IEC 23008-12, 6.5.3: ispe holds version and flags, width and height."""
    sound = photos.sound("heic")
    at = sound.index(b"ispe") + 8
    big = sound[:at] + (8064).to_bytes(4, "big") + (6048).to_bytes(4, "big") + sound[at + 8 :]
    assert not goes_apart(sound)
    assert goes_apart(big)


def test_apart_gives_the_same_pixels_notes_and_focal_length() -> None:
    data = photos.sound("png")
    here, apart = decode(data, name="piece"), decode_guarded(data, name="piece")
    assert np.array_equal(here.rgb, apart.rgb)
    assert (here.notes, here.camera) == (apart.notes, apart.camera)


def test_a_fault_found_apart_names_the_photo() -> None:
    with pytest.raises(PhotoError) as caught:
        decode_guarded(photos.sound("png")[:300], name="piece")
    assert (caught.value.code, caught.value.where) == ("damaged", "piece")


def test_what_takes_too_long_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guarded, "LIMIT_S", 0.01)
    with pytest.raises(PhotoError) as caught:
        decode_guarded(photos.sound("png"), name="piece")
    assert caught.value.code == "too_slow"
