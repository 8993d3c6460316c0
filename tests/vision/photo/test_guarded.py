"""What is decoded apart: only what its header warns of, and to the same photo."""

from __future__ import annotations

import io
import json
import subprocess

import numpy as np
import pytest

from rules.errors import PhotoError
from tests.hostile import photos
from vision.photo import guarded
from vision.photo.container import check_claims
from vision.photo.decoding import decode
from vision.photo.guarded import FROM_PIXELS, decode_guarded, wants_guard


def goes_apart(data: bytes) -> bool:
    return wants_guard(data, scans=check_claims(data, "piece"))


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


# ------------------------------------------------------------- how the other one ends


def ended(
    monkeypatch: pytest.MonkeyPatch, *, code: int, out: bytes = b"", err: bytes = b""
) -> None:
    """The process that decodes ended so."""
    done = subprocess.CompletedProcess(args=[], returncode=code, stdout=out, stderr=err)
    monkeypatch.setattr("vision.photo.guarded.subprocess.run", lambda *_, **__: done)


@pytest.mark.parametrize(
    ("code", "err", "told"),
    [
        (-9, b"", "out_of_memory"),  # killed by the system: SIGKILL
        (-11, b"", "out_of_memory"),  # a decoder's own fault: SIGSEGV
        (1, b"Traceback ...\nMemoryError", "out_of_memory"),
        (1, b"Traceback ...\nValueError", "damaged"),
        (0, b"", "damaged"),  # it said nothing
    ],
)
def test_a_process_that_died_is_the_typed_error(
    monkeypatch: pytest.MonkeyPatch, code: int, err: bytes, told: str
) -> None:
    ended(monkeypatch, code=code, err=err)
    with pytest.raises(PhotoError) as caught:
        decode_guarded(b"anything", name="piece")
    assert (caught.value.code, caught.value.where) == (told, "piece")
    assert caught.value.fix


@pytest.mark.parametrize("out", [b"no json\n", b'{"shape"', b"\xff\xfe\n"])
def test_half_an_answer_is_none(monkeypatch: pytest.MonkeyPatch, out: bytes) -> None:
    ended(monkeypatch, code=0, out=out)
    with pytest.raises(PhotoError) as caught:
        decode_guarded(b"anything", name="piece")
    assert caught.value.code == "damaged"


def spoken(monkeypatch: pytest.MonkeyPatch, data: bytes) -> bytes:
    """What the process that decodes writes for these bytes; its limits are left out."""
    out = io.BytesIO()
    monkeypatch.setattr(guarded, "_limit_memory", lambda: None)
    monkeypatch.setattr("vision.photo.guarded.sys.stdin", io.TextIOWrapper(io.BytesIO(data)))
    wrapped = io.TextIOWrapper(out)
    monkeypatch.setattr("vision.photo.guarded.sys.stdout", wrapped)
    assert guarded.main() == 0
    wrapped.flush()
    return out.getvalue()


def test_it_writes_a_line_of_facts_and_then_the_pixels(monkeypatch: pytest.MonkeyPatch) -> None:
    data = photos.sound("png")
    here = decode(data, name="piece")
    head, _, pixels = spoken(monkeypatch, data).partition(b"\n")
    facts = json.loads(head)
    assert facts["shape"] == list(here.rgb.shape)
    assert pixels == here.rgb.tobytes()


def test_it_says_what_is_wrong_and_ends_in_order(monkeypatch: pytest.MonkeyPatch) -> None:
    told = json.loads(spoken(monkeypatch, photos.sound("png")[:300]))
    assert told["code"] == "damaged"
    assert told["message"] and told["fix"]


def test_the_largest_of_several_stated_sizes_counts() -> None:
    # ISO/IEC 23008-12, 6.5.3: ispe holds version and flags, width and height; tiles are smaller.
    def ispe(width: int, height: int) -> bytes:
        return b"ispe" + bytes(4) + width.to_bytes(4, "big") + height.to_bytes(4, "big")

    data = b"junk" + ispe(512, 512) + b"x" * 9 + ispe(8064, 6048) + ispe(320, 240)
    assert guarded._stated_pixels(data) == 8064 * 6048
    assert guarded._stated_pixels(b"no box here") == 0
    assert guarded._stated_pixels(ispe(9, 9)[:10]) == 0, "cut off before its numbers"
