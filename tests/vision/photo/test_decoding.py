"""Bytes to pixels: against Pillow as the reference library, and no decoder's fault ignored."""

from __future__ import annotations

import hashlib
import io
import struct

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image

from rules.errors import PhotoError
from tests.hostile import photos
from tests.vision.photo.pictures import (
    FORMATS,
    HEIGHT,
    WIDTH,
    mean_difference,
    photo_bytes,
    png_16_bit,
    saved,
    scene,
)
from vision.photo import decoding
from vision.photo.decoding import decode
from vision.photo.loading import load_photo


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


# ----------------------------------------------------------------- every kind


@pytest.mark.parametrize("kind", FORMATS)
def test_every_allowed_kind_gives_the_same_picture(kind: str) -> None:
    data = photo_bytes(kind)
    photo = load_photo(data, name="piece")
    assert mean_difference(photo.rgb, scene()) < 2.5
    assert photo.rgb.dtype == np.uint8
    assert (photo.width_px, photo.height_px) == (WIDTH, HEIGHT)
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert photo.name == "piece"


def test_a_photo_can_not_be_painted_over() -> None:
    photo = load_photo(photo_bytes("png"), name="piece")
    with pytest.raises(ValueError, match="read-only"):
        photo.rgb[0, 0] = 0


def test_mpo_gives_its_first_picture() -> None:
    with Image.open(io.BytesIO(photo_bytes("mpo"))) as picture:
        assert picture.format == "MPO"
        assert getattr(picture, "n_frames", 1) == 2
    assert load_photo(photo_bytes("mpo"), name="piece").width_px == WIDTH


def test_16_bit_colour_is_scaled() -> None:
    ramp = np.linspace(0, 65535, WIDTH * HEIGHT * 3).astype(np.uint16).reshape(HEIGHT, WIDTH, 3)
    photo = load_photo(png_16_bit(ramp), name="piece")
    assert np.abs(photo.rgb - ramp / 257).max() <= 1.0


def test_16_bit_grey_is_scaled_and_not_clipped() -> None:
    ramp = np.linspace(0, 65535, WIDTH * HEIGHT).astype(np.uint16).reshape(HEIGHT, WIDTH)
    photo = load_photo(png_16_bit(ramp), name="piece")
    assert np.abs(photo.rgb - (ramp / 257)[..., None]).max() <= 0.5
    assert photo.notes == ("16-bit grey scaled to 8 bits",)


@pytest.mark.parametrize(("kind", "tolerance"), [("PNG", 0), ("JPEG", 1)])
def test_grey_becomes_rgb(kind: str, tolerance: int) -> None:
    grey = Image.fromarray(np.full((HEIGHT, WIDTH), 77, np.uint8))
    photo = load_photo(saved(grey, kind), name="piece")
    assert photo.rgb.shape == (HEIGHT, WIDTH, 3)
    assert np.abs(photo.rgb.astype(int) - 77).max() <= tolerance


def test_cmyk_jpeg_becomes_rgb() -> None:
    picture = Image.fromarray(scene()).convert("CMYK")
    photo = load_photo(saved(picture, "JPEG", quality=95), name="piece")
    assert mean_difference(photo.rgb, scene()) < 3


@pytest.mark.parametrize("kind", ["PNG", "WEBP"])
def test_transparent_parts_become_white(kind: str) -> None:
    rgba = np.dstack([scene(), np.full((HEIGHT, WIDTH), 255, np.uint8)])
    rgba[:, : WIDTH // 2, 3] = 0
    photo = load_photo(saved(Image.fromarray(rgba), kind, lossless=True), name="piece")
    assert (photo.rgb[:, : WIDTH // 2] == 255).all()
    assert np.array_equal(photo.rgb[:, WIDTH // 2 :], scene()[:, WIDTH // 2 :])
    assert "transparent parts shown white" in photo.notes


def test_palette_with_a_transparent_colour_becomes_rgb_on_white() -> None:
    palette = Image.new("P", (WIDTH, HEIGHT), 0)
    palette.putpalette([10, 20, 30, 200, 100, 50])
    palette.paste(1, (0, 0, WIDTH // 2, HEIGHT))
    photo = load_photo(saved(palette, "PNG", transparency=0), name="piece")
    assert photo.rgb[0, 0].tolist() == [200, 100, 50]
    assert photo.rgb[0, -1].tolist() == [255, 255, 255]


# ---------------------------------------------------------------- orientation


def stored(upright: np.ndarray, orientation: int) -> np.ndarray:
    """Rows as a camera held that way stores them.

    EXIF 2.3, tag Orientation: the stored row 0 is the visual top, bottom, left or
    right, and column 0 likewise; written with numpy alone, apart from the loader.
    """
    back = {
        1: lambda a: a,
        2: lambda a: a[:, ::-1],  # row 0 top, column 0 right
        3: lambda a: a[::-1, ::-1],  # bottom, right
        4: lambda a: a[::-1],  # bottom, left
        5: lambda a: a.transpose(1, 0, 2),  # left, top
        6: lambda a: a.transpose(1, 0, 2)[::-1],  # right, top
        7: lambda a: a.transpose(1, 0, 2)[::-1, ::-1],  # right, bottom
        8: lambda a: a.transpose(1, 0, 2)[:, ::-1],  # left, bottom
    }
    return np.ascontiguousarray(back[orientation](upright))


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_every_orientation_gives_the_same_upright_picture(kind: str, orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    options = {"JPEG": {"quality": 95, "subsampling": 0}, "PNG": {}, "WEBP": {"quality": 95}}
    data = saved(Image.fromarray(stored(scene(), orientation)), kind, exif=exif, **options[kind])
    photo = load_photo(data, name="piece")
    assert mean_difference(photo.rgb, scene()) < 2.5
    assert ("turned upright" in photo.notes) == (orientation != 1)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.parametrize("kind", ["HEIF", "AVIF"])
def test_turned_heic_and_avif_come_upright_once(kind: str, orientation: int) -> None:
    """These keep the turn in the container; turning by EXIF as well would turn twice."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    pillow_heif.register_heif_opener()
    picture = Image.fromarray(stored(scene(), orientation))
    photo = load_photo(saved(picture, kind, quality=95, exif=exif.tobytes()), name="piece")
    assert mean_difference(photo.rgb, scene()) < 3


@pytest.mark.parametrize("orientation", [0, 9, 99])
def test_an_orientation_that_does_not_exist_is_ignored(orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    photo = load_photo(saved(Image.fromarray(scene()), "JPEG", exif=exif), name="piece")
    assert mean_difference(photo.rgb, scene()) < 4


def test_malformed_camera_notes_do_not_cost_the_photo() -> None:
    exif = b"Exif\0\0II*\0\x08\0\0\0" + b"\xff" * 40
    photo = load_photo(saved(Image.fromarray(scene()), "JPEG", exif=exif), name="piece")
    assert photo.width_px == WIDTH


# --------------------------------------------------------------------- colour


def icc_profile(red: tuple, green: tuple, blue: tuple, gamma: float | None = None) -> bytes:
    """A display profile of these D50 colorants (ICC.1:2010); sRGB's curve without gamma."""

    def fixed(value: float) -> bytes:
        return struct.pack(">i", round(value * 65536))

    def xyz(values: tuple) -> bytes:
        return b"XYZ \0\0\0\0" + b"".join(map(fixed, values))

    if gamma is None:
        numbers = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
        curve = b"para\0\0\0\0\0\x03\0\0" + b"".join(map(fixed, numbers))
    else:
        curve = b"para\0\0\0\0\0\0\0\0" + fixed(gamma)
    text = "test".encode("utf-16-be")
    words = b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(text), 28) + text
    tags = {
        b"desc": words,
        b"cprt": words,
        b"wtpt": xyz((0.9642, 1.0, 0.8249)),
        b"rXYZ": xyz(red),
        b"gXYZ": xyz(green),
        b"bXYZ": xyz(blue),
        b"rTRC": curve,
        b"gTRC": curve,
        b"bTRC": curve,
    }
    table, body = struct.pack(">I", len(tags)), b""
    start = 128 + 4 + 12 * len(tags)
    for name, data in tags.items():
        padded = data + b"\0" * (-len(data) % 4)
        table += name + struct.pack(">II", start + len(body), len(data))
        body += padded
    header = struct.pack(">I4sI4s4s4s", 0, b"\0" * 4, 0x04300000, b"mntr", b"RGB ", b"XYZ ")
    header += struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp" + b"\0" * 28
    header += xyz((0.9642, 1.0, 0.8249))[8:]
    header = header.ljust(128, b"\0")
    whole = header + table + body
    return struct.pack(">I", len(whole)) + whole[4:]


# Colorants of the Display P3 profile that phones embed, D50 (ICC registry, from memory).
P3_COLORANTS = (
    (0.51512, 0.24120, -0.00105),
    (0.29198, 0.69225, 0.04189),
    (0.15710, 0.06657, 0.78407),
)
# Colorants of sRGB adapted to D50 (ICC's own sRGB profile, from memory).
SRGB_COLORANTS = (
    (0.43607, 0.22249, 0.01392),
    (0.38515, 0.71687, 0.09708),
    (0.14307, 0.06061, 0.71410),
)
# Colorants of Adobe RGB (1998), D50 (its specification, from memory); gamma 2.19921875.
ADOBE_COLORANTS = (
    (0.60974, 0.31111, 0.01947),
    (0.20528, 0.62567, 0.06087),
    (0.14919, 0.06322, 0.74457),
)


def flat(rgb: tuple[int, int, int], profile: bytes, kind: str = "PNG") -> np.ndarray:
    picture = Image.new("RGB", (WIDTH, HEIGHT), rgb)
    return load_photo(saved(picture, kind, icc_profile=profile), name="piece").rgb


# Copper as a phone tags it. Expected by the Display P3 definition (SMPTE EG 432-1
# primaries, D65, sRGB curve), worked by hand for this colour: P3 (200, 120, 90) has
# light .5776 .1878 .1022, times the published matrix .6653 .1714 .0861.
@pytest.mark.parametrize("kind", ["PNG", "JPEG", "WEBP", "AVIF"])
def test_display_p3_becomes_srgb_in_every_kind(kind: str) -> None:
    seen = flat((200, 120, 90), icc_profile(*P3_COLORANTS), kind)
    assert np.abs(seen.reshape(-1, 3).mean(axis=0) - (213, 115, 83)).max() < 2.0


def test_display_p3_agrees_with_littlecms_on_every_colour(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The quick way against LittleCMS's own reading of the same profile."""
    colours = np.random.default_rng(1).integers(0, 256, (64, 64, 3), dtype=np.uint8)
    data = saved(Image.fromarray(colours), "PNG", icc_profile=icc_profile(*P3_COLORANTS))
    quick = load_photo(data, name="piece")
    assert quick.notes == ("converted from Display P3",)
    monkeypatch.setattr(decoding, "_SAME_COLOUR_CODES", -1)
    slow = load_photo(data, name="piece")
    assert slow.notes == ("converted from another colour profile",)
    assert np.abs(quick.rgb.astype(int) - slow.rgb).max() <= 2


def test_an_srgb_profile_changes_nothing() -> None:
    data = saved(Image.fromarray(scene()), "PNG", icc_profile=icc_profile(*SRGB_COLORANTS))
    photo = load_photo(data, name="piece")
    assert np.array_equal(photo.rgb, scene())
    assert photo.notes == ()


# Adobe RGB (1998): light by gamma 2.19921875 and its matrix to sRGB, for (200, 120, 90),
# worked by hand: .586 .191 .101 -> red .586 * 1.3984 - .191 * .3984 = .7434.
def test_any_other_profile_is_applied() -> None:
    seen = flat((200, 120, 90), icc_profile(*ADOBE_COLORANTS, gamma=2.19921875))
    assert seen[0, 0].tolist() == pytest.approx([223, 120, 88], abs=3)


def test_a_broken_profile_is_told_and_taken_as_srgb() -> None:
    data = saved(Image.fromarray(scene()), "PNG", icc_profile=b"nonsense" * 30)
    photo = load_photo(data, name="piece")
    assert np.array_equal(photo.rgb, scene())
    assert photo.notes == ("its colour profile could not be read; colours taken as sRGB",)


def test_plain_jpeg_is_decoded_the_same_by_both_decoders() -> None:
    """The quick decoder against Pillow's: chroma and order of channels agree."""
    data = saved(Image.fromarray(scene(320, 240)), "JPEG", quality=90)
    ours = load_photo(data, name="piece").rgb
    with Image.open(io.BytesIO(data)) as picture:
        assert np.abs(ours.astype(int) - np.asarray(picture.convert("RGB"))).max() <= 2
    assert ours[120, 5, 0] > ours[120, 5, 2]
    assert cv2.cvtColor(ours, cv2.COLOR_RGB2GRAY).shape == (240, 320)
