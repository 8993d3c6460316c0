"""What a camera wrote beside a picture goes; the picture and how to read it stay.

The files are written by Pillow and libheif, and read back by them: not by our own code.
"""

from __future__ import annotations

import io
from functools import cache

import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageCms, PngImagePlugin

from app.web.desk.without_notes import HEAD_BYTES, without_notes
from rules.errors import PhotoError
from vision.photo.loading import load_photo
from vision.types import Photo

pillow_heif.register_heif_opener()

SECRET = b"SecretMaker"
XMP = b"<x:xmpmeta xmlns:x='adobe:ns:meta/'><r>" + SECRET + b"</r></x:xmpmeta>"
NORTH = b"N\0"
KINDS = ("JPEG", "PNG", "WEBP", "HEIF", "AVIF")

_MAKE, _GPS, _EXIF, _ORIENTATION, _FOCAL = 0x010F, 0x8825, 0x8769, 0x0112, 0xA405
_FLASH = 0x9209


def notes(
    *, orientation: int | None = 6, focal: int | None = 26, flash: int | None = 0x19
) -> bytes:
    """EXIF as a phone writes it: maker, place, time, which way is up, focal length."""
    exif = Image.Exif()
    exif[_MAKE] = SECRET.decode()
    if orientation is not None:
        exif[_ORIENTATION] = orientation
    exif.get_ifd(_GPS).update({1: "N", 2: (51.0, 30.0, 26.0), 3: "E", 4: (7.0, 12.0, 1.0)})
    exif.get_ifd(_EXIF)[0x9003] = "2026:03:20 18:04:11"
    if focal is not None:
        exif.get_ifd(_EXIF)[_FOCAL] = focal
    if flash is not None:
        exif.get_ifd(_EXIF)[_FLASH] = flash
    return exif.tobytes()


@cache
def photo(kind: str, *, exif: bytes | None = None, progressive: bool = False) -> bytes:
    """A small photo of a kind with everything in it that may be beside a picture."""
    rng = np.random.default_rng(3)
    small = rng.integers(0, 256, (12, 16, 3), np.uint8)
    picture = Image.fromarray(small).resize((160, 120), Image.Resampling.BICUBIC)
    file = io.BytesIO()
    extra: dict[str, object] = {"exif": notes() if exif is None else exif}
    if kind == "JPEG":
        extra |= {"comment": SECRET, "progressive": progressive, "xmp": XMP}
        profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
        extra["icc_profile"] = profile.tobytes()
    elif kind == "PNG":
        text = PngImagePlugin.PngInfo()
        text.add_text("Comment", SECRET.decode())
        text.add_itxt("XML:com.adobe.xmp", XMP.decode())
        extra["pnginfo"] = text
    else:
        extra["xmp"] = XMP
    picture.save(file, kind, **extra)
    whole = file.getvalue()
    # A film behind a still (what phones call a live or a moving picture), and a second picture.
    return whole + b"\0\0\0\x40ftypmp42" + SECRET * 4 if kind == "JPEG" else whole


def same(a: Photo, b: Photo) -> bool:
    return bool(
        a.rgb.shape == b.rgb.shape
        and (a.rgb == b.rgb).all()
        and a.focal_px == b.focal_px
        and a.flash_fired == b.flash_fired
        and a.notes == b.notes
    )


@pytest.mark.parametrize("kind", KINDS)
def test_place_maker_time_and_comments_go_and_the_picture_stays(kind: str) -> None:
    before = photo(kind)
    assert SECRET in before and NORTH in before
    after = without_notes(before)
    assert SECRET not in after and b"2026:03:20" not in after
    with Image.open(io.BytesIO(after)) as read:
        told = read.getexif()
        assert not told.get_ifd(_GPS) and _MAKE not in told
    assert same(load_photo(before, name="a"), load_photo(after, name="a"))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("orientation", [None, 1, 3, 8])
@pytest.mark.parametrize(("focal", "flash"), [(None, None), (50, 0x10), (None, 0x19)])
def test_which_way_is_up_focal_length_and_flash_stay(
    kind: str, orientation: int | None, focal: int | None, flash: int | None
) -> None:
    before = photo(kind, exif=notes(orientation=orientation, focal=focal, flash=flash))
    assert same(load_photo(before, name="a"), load_photo(without_notes(before), name="a"))


@pytest.mark.parametrize("kind", KINDS)
def test_what_is_stripped_stays_as_it_is(kind: str) -> None:
    once = without_notes(photo(kind))
    assert without_notes(once) == once


def test_a_progressive_jpeg_keeps_all_of_its_scans() -> None:
    before = photo("JPEG", progressive=True)
    assert before.count(b"\xff\xda") > 5
    assert same(load_photo(before, name="a"), load_photo(without_notes(before), name="a"))


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b"%PDF-1.7 " + SECRET * 9, "wrong_kind"),
        (b"MM\0*" + notes()[6:], "wrong_kind"),
        (b"dear buyer, this is no photo; my place is 51.5 N", "not_a_photo"),
        (b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + SECRET * 9, "wrong_kind"),
        (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + SECRET * 9, "damaged"),
        (b"", "empty"),
    ],
)
def test_of_what_is_no_photo_only_the_kind_is_kept(data: bytes, code: str) -> None:
    after = without_notes(data)
    assert len(after) <= max(HEAD_BYTES, 0) or SECRET not in after
    for whole in (data, after):
        with pytest.raises(PhotoError) as told:
            load_photo(whole, name="a")
        assert told.value.code == code


def turned(sound: Photo | str) -> list[NDArray[np.uint8]]:
    assert isinstance(sound, Photo)
    turns = [np.rot90(sound.rgb, number) for number in range(4)]
    return [*turns, *(np.flip(turn, 0) for turn in turns)]


def outcome(data: bytes) -> Photo | str:
    try:
        return load_photo(data, name="a")
    except PhotoError as fault:
        return fault.code


def test_a_damaged_head_is_told_as_damage_and_leaves_no_notes() -> None:
    whole = bytearray(photo("JPEG"))
    whole[3] = 0  # what follows the first marker lies astray, notes and all
    assert outcome(bytes(whole)) == "damaged"
    after = without_notes(bytes(whole))
    assert outcome(after) == "damaged" and SECRET not in after


def test_fill_bytes_stay() -> None:
    data = photo("JPEG")
    filled = data[:2] + b"\xff" * 40 + data[2:]
    assert same(load_photo(filled, name="a"), load_photo(without_notes(filled), name="a"))
    assert len(without_notes(data[:2] + b"\xff" * 5_000_000)) >= 5_000_000


@settings(deadline=None, max_examples=150, derandomize=True)
@given(st.sampled_from(KINDS), st.data())
def test_a_mutated_photo_is_told_the_same_or_refused(kind: str, data: st.DataObject) -> None:
    """Bytes changed, cut out, or cut off: stripping never fails, and never makes another
    picture of it."""
    whole = bytearray(photo(kind))
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(whole) - 1))
        how = data.draw(st.sampled_from(["change", "cut off", "cut out", "head"]))
        if how == "head":
            at %= 400
        if how in ("change", "head"):
            whole[at] = data.draw(st.integers(0, 255))
        elif how == "cut off":
            del whole[max(1, at) :]
        else:
            del whole[at : at + data.draw(st.integers(1, 40))]
        if len(whole) < 2:
            break
    after = without_notes(bytes(whole))
    before, told = outcome(bytes(whole)), outcome(after)
    if isinstance(told, Photo):
        # Where the notes alone were damaged the picture is the one that it was.
        same_as = [before.rgb] if isinstance(before, Photo) else turned(outcome(photo(kind)))
        assert any(np.array_equal(told.rgb, rgb) for rgb in same_as)


@settings(deadline=None, max_examples=300)
@given(
    st.sampled_from(
        [b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"RIFF\x99\0\0\0WEBP", b"\0\0\0\x18ftypheic", b""]
    ),
    st.binary(max_size=200),
)
def test_whatever_comes_it_never_fails(head: bytes, rest: bytes) -> None:
    assert len(without_notes(head + rest)) <= len(head + rest) + 100
