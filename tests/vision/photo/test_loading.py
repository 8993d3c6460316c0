"""Photo loading: every source gives an upright sRGB photo or one typed error."""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from collections.abc import Callable
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from rules.errors import PhotoError
from vision.photo import container, decoding, loading
from vision.photo.loading import find_photos, focal_px, load_photo, load_photo_file

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


# ---------------------------------------------------------------------- focal


def with_focal(focal_35mm: int, size: tuple[int, int], orientation: int = 1) -> bytes:
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif.get_ifd(0x8769)[0xA405] = focal_35mm
    return saved(Image.new("RGB", size, "grey"), "JPEG", exif=exif)


# 26 mm on 43.267 mm film diagonal over 5000 px (4000 x 3000): 3004.6 px.
def test_focal_length_comes_from_the_35_mm_equivalent() -> None:
    assert focal_px(26, width_px=4000, height_px=3000) == pytest.approx(3004.6, abs=0.1)


@pytest.mark.parametrize("orientation", [1, 6])
def test_focal_length_is_the_same_however_the_phone_was_held(orientation: int) -> None:
    photo = load_photo(with_focal(26, (400, 300), orientation), name="piece")
    assert photo.focal_px == pytest.approx(300.46, abs=0.01)


@pytest.mark.parametrize("size", [(400, 225), (300, 300), (400, 120)])
def test_a_cropped_photo_tells_no_focal_length(size: tuple[int, int]) -> None:
    assert load_photo(with_focal(26, size), name="piece").focal_px is None


@pytest.mark.parametrize("focal", [0, 1, 9000])
def test_an_implausible_focal_length_is_ignored(focal: int) -> None:
    assert load_photo(with_focal(focal, (400, 300)), name="piece").focal_px is None


# --------------------------------------------------------------------- faults


def png_bomb(side: int) -> bytes:
    """A black square of one bit a pixel: 30000 x 30000 packs into about 109 KB."""

    def chunk(name: bytes, body: bytes) -> bytes:
        crc = zlib.crc32(name + body)
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", crc)

    packer = zlib.compressobj(9)
    row = b"\0" * (1 + (side + 7) // 8)
    packed = b"".join(packer.compress(row) for _ in range(side)) + packer.flush()
    header = struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0)
    body = chunk(b"IHDR", header) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def refusal(data: bytes, name: str = "photo.jpg") -> PhotoError:
    with pytest.raises(PhotoError) as caught:
        load_photo(data, name=name)
    return caught.value


@pytest.mark.parametrize("side", [8000, 10_000, 30_000])
def test_a_bomb_is_refused_from_its_header(side: int, monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object) -> None:
        raise AssertionError("pixels were decoded")

    monkeypatch.setattr(decoding, "_pixels", never)
    data = png_bomb(side)
    assert len(data) < 200_000
    assert refusal(data).code == "too_many_pixels"


CASES: dict[str, tuple[bytes, str]] = {
    "nothing": (b"", "empty"),
    "text": (b"Dear photo,\nthis is a letter.\n" * 40, "not_a_photo"),
    "zeros": (b"\0" * 5000, "not_a_photo"),
    "pdf": (b"%PDF-1.7 ...", "wrong_kind"),
    "gif": (saved(Image.new("P", (64, 64)), "GIF"), "wrong_kind"),
    "bmp": (saved(Image.new("RGB", (64, 64)), "BMP"), "wrong_kind"),
    "tiff": (saved(Image.new("RGB", (64, 64)), "TIFF"), "wrong_kind"),
    "video": (b"\0\0\0\x18ftypisom" + b"\0" * 200, "wrong_kind"),
    "svg": (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "wrong_kind"),
    "jpeg magic only": (b"\xff\xd8\xff\xe0", "not_a_photo"),
    "icon": (saved(Image.new("RGB", (31, 500)), "PNG"), "too_small"),
}


@pytest.mark.parametrize("case", CASES)
def test_what_is_no_photo_is_told_with_name_fault_and_fix(case: str) -> None:
    data, code = CASES[case]
    error = refusal(data, name="holiday.jpg")
    assert error.code == code
    assert str(error).startswith("holiday.jpg: ")
    assert error.fix.endswith(".")


def test_a_file_over_the_size_cap_is_refused_unread() -> None:
    error = refusal(photo_bytes("jpeg") + b"\0" * loading.MAX_BYTES)
    assert error.code == "too_large"
    assert "25 MB" in error.message


def test_an_hdr_photo_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """ITU-T H.273: transfer 16 is PQ; its codes are not sRGB's."""
    out = io.BytesIO()
    heif = pillow_heif.from_pillow(Image.fromarray(scene()))
    heif.save(out, quality=90, color_primaries=9, transfer_characteristics=16)
    assert refusal(out.getvalue(), name="hdr.heic").code == "hdr_photo"


def test_display_p3_told_by_the_container_alone_is_converted() -> None:
    """ITU-T H.273: primaries 12 are P3's with D65; HEIC may say so without a profile."""
    out = io.BytesIO()
    heif = pillow_heif.from_pillow(Image.new("RGB", (WIDTH, HEIGHT), (200, 120, 90)))
    heif.save(out, quality=95, chroma=444, color_primaries=12, transfer_characteristics=13)
    photo = load_photo(out.getvalue(), name="piece")
    assert "converted from Display P3" in photo.notes
    assert photo.rgb.reshape(-1, 3).mean(axis=0) == pytest.approx((213, 115, 83), abs=2.5)


def photo_or_typed_error(data: bytes) -> None:
    try:
        photo = load_photo(data, name="piece")
    except PhotoError as error:
        assert error.where == "piece"
        assert error.code
        assert error.fix
    else:
        assert photo.rgb.dtype == np.uint8
        assert photo.rgb.ndim == 3
        assert min(photo.rgb.shape[:2]) >= container.MIN_SIDE_PX


@pytest.mark.parametrize("kind", FORMATS)
def test_every_truncation_gives_a_photo_or_the_typed_error(kind: str) -> None:
    data = photo_bytes(kind)
    step = max(1, len(data) // 400)
    for length in sorted({*range(0, min(len(data), 64)), *range(0, len(data), step)}):
        photo_or_typed_error(data[:length])


@pytest.mark.parametrize("kind", ["jpeg", "jpeg_progressive", "png", "webp", "heic", "avif"])
@pytest.mark.parametrize("share", [0.3, 0.5, 0.8])
def test_part_of_a_file_is_never_taken_for_a_photo(kind: str, share: float) -> None:
    data = photo_bytes(kind)
    assert refusal(data[: int(len(data) * share)]).code in ("damaged", "not_a_photo")


@pytest.mark.parametrize("kind", FORMATS)
def test_every_flipped_byte_gives_a_photo_or_the_typed_error(kind: str) -> None:
    data = photo_bytes(kind)
    step = max(1, len(data) // 400)
    for place in sorted({*range(0, min(len(data), 64)), *range(0, len(data), step)}):
        photo_or_typed_error(data[:place] + bytes([data[place] ^ 0xFF]) + data[place + 1 :])


def mutated(kind: str) -> st.SearchStrategy[bytes]:
    data = photo_bytes(kind)
    edits = st.lists(
        st.tuples(st.integers(0, len(data) - 1), st.integers(0, 255)), min_size=1, max_size=8
    )

    def apply(changes: list[tuple[int, int]], cut: int) -> bytes:
        body = bytearray(data)
        for place, value in changes:
            body[place] = value
        return bytes(body[:cut])

    return st.builds(apply, edits, st.integers(len(data) // 2, len(data)))


@pytest.mark.parametrize("kind", FORMATS)
def test_any_damage_gives_a_photo_or_the_typed_error(kind: str) -> None:
    @settings(
        max_examples=100,
        deadline=None,
        derandomize=True,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(mutated(kind))
    def check(data: bytes) -> None:
        photo_or_typed_error(data)

    check()


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(st.binary(max_size=400))
def test_any_bytes_give_a_photo_or_the_typed_error(data: bytes) -> None:
    photo_or_typed_error(data)


def test_a_jpeg_whose_second_header_is_larger_is_not_decoded_at_that_size() -> None:
    """Two decoders must not see two sizes: the checked one is the decoded one."""
    data = bytearray(photo_bytes("jpeg"))
    start = data.index(b"\xff\xc0")
    length = struct.unpack(">H", data[start + 2 : start + 4])[0]
    segment = bytes(data[start : start + 2 + length])
    larger = segment[:5] + struct.pack(">HH", 600, 800) + segment[9:]
    for forged in (larger + segment, segment + larger):
        photo_or_typed_error(bytes(data[:start]) + forged + bytes(data[start + len(segment) :]))


def test_a_decoder_that_sees_another_size_is_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    other = np.zeros((2 * HEIGHT, WIDTH, 3), np.uint8)
    monkeypatch.setattr("simplejpeg.decode_jpeg", lambda *_, **__: other)
    assert refusal(photo_bytes("jpeg")).code == "damaged"


# ---------------------------------------------------------------------- files


def write(folder: Path, name: str, kind: str = "png") -> Path:
    path = folder / name
    path.write_bytes(photo_bytes(kind))
    return path


def test_a_photo_file_is_named_by_its_own_name(tmp_path: Path) -> None:
    assert load_photo_file(write(tmp_path, "a pipe.png")).name == "a pipe.png"


@pytest.mark.parametrize(
    ("make", "code"),
    [
        (lambda folder: folder / "none.jpg", "not_found"),
        (lambda folder: folder, "empty_folder"),
        (lambda folder: folder / "nul\0name.jpg", "unreadable"),
        (lambda folder: folder / ("x" * 5000), "unreadable"),
    ],
)
def test_a_file_that_can_not_be_opened_is_the_typed_error(
    make: Callable[[Path], Path], code: str, tmp_path: Path
) -> None:
    with pytest.raises(PhotoError) as caught:
        load_photo_file(make(tmp_path))
    assert caught.value.code == code


def test_a_folder_gives_its_photos_by_name(tmp_path: Path) -> None:
    first, second = write(tmp_path, "a.PNG"), write(tmp_path, "b.jpg", "jpeg")
    write(tmp_path, ".hidden.png")
    (tmp_path / "notes.txt").write_text("no photo")
    (tmp_path / "deeper.png").mkdir()
    assert find_photos([tmp_path]) == (first, second)


def test_a_pattern_gives_its_photos_by_name(tmp_path: Path) -> None:
    second, first = write(tmp_path, "p2.png"), write(tmp_path, "p1.png")
    write(tmp_path, "q.png")
    assert find_photos([str(tmp_path / "p*.png")]) == (first, second)


def test_what_is_not_there_stays_in_its_place_so_that_it_is_told(tmp_path: Path) -> None:
    good = write(tmp_path, "good.png")
    missing, empty = tmp_path / "missing.png", tmp_path / "empty"
    empty.mkdir()
    pattern = tmp_path / "none*.png"
    assert find_photos([missing, empty, good, pattern]) == (missing, empty, good, pattern)


def test_a_file_whose_name_looks_like_a_pattern_is_itself(tmp_path: Path) -> None:
    odd = write(tmp_path, "pipe [1].png")
    write(tmp_path, "pipe 1.png")
    assert find_photos([odd]) == (odd,)


def test_no_photo_comes_twice(tmp_path: Path) -> None:
    photo = write(tmp_path, "a.png")
    assert find_photos([photo, tmp_path, str(tmp_path / "*.png")]) == (photo,)


def test_plain_jpeg_is_decoded_the_same_by_both_decoders() -> None:
    """The quick decoder against Pillow's: chroma and order of channels agree."""
    data = saved(Image.fromarray(scene(320, 240)), "JPEG", quality=90)
    ours = load_photo(data, name="piece").rgb
    with Image.open(io.BytesIO(data)) as picture:
        assert np.abs(ours.astype(int) - np.asarray(picture.convert("RGB"))).max() <= 2
    assert ours[120, 5, 0] > ours[120, 5, 2]
    assert cv2.cvtColor(ours, cv2.COLOR_RGB2GRAY).shape == (240, 320)


# ---------------------------------------------------------------------- flash


# EXIF 2.3, tag Flash: bit 0 says whether it fired; 0x19 is "fired, auto", 0x10 "did not fire".
@pytest.mark.parametrize(("tag", "fired"), [(0x19, True), (0x01, True), (0x10, False), (0, False)])
def test_the_cameras_notes_say_whether_the_flash_fired(tag: int, fired: bool) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9209] = tag
    exif.get_ifd(0x8769)[0x9003] = "2026:11:30 08:15:42"
    photo = load_photo(saved(Image.new("RGB", (64, 48), "grey"), "JPEG", exif=exif), name="piece")
    assert photo.flash_fired is fired
    assert photo.taken == "2026-11-30T08:15:42"


@pytest.mark.parametrize("taken", ["0000:00:00 00:00:00", "", "yesterday"])
def test_a_time_that_is_none_is_not_told(taken: str) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = taken
    photo = load_photo(saved(Image.new("RGB", (64, 48), "grey"), "JPEG", exif=exif), name="piece")
    assert (photo.taken, photo.flash_fired) == (None, None)
