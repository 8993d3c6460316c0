"""Photo loading: every source gives an upright sRGB photo or one typed error."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from rules.errors import PhotoError
from tests.vision.photo.pictures import (
    FORMATS,
    HEIGHT,
    WIDTH,
    photo_bytes,
    saved,
    scene,
)
from vision.photo import container, decoding, loading
from vision.photo.decoding import CameraNotes
from vision.photo.loading import (
    camera_notes,
    find_photos,
    focal_px,
    load_photo,
    load_photo_file,
)

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


@given(st.floats(10, 300), st.integers(1, 40), st.booleans())
def test_a_resized_photo_keeps_its_angle_of_view(
    focal_35mm: float, hundreds: int, upright: bool
) -> None:
    """Over its diagonal the focal length is that of full frame, 36 x 24 mm, whatever the size."""
    size = (400 * hundreds, 300 * hundreds)
    width, height = size[::-1] if upright else size
    told = focal_px(focal_35mm, width_px=width, height_px=height)
    assert told is not None
    assert told / np.hypot(width, height) == pytest.approx(focal_35mm / np.hypot(36, 24))


def test_a_folder_is_no_photo_and_says_which_kinds_are(tmp_path: Path) -> None:
    with pytest.raises(PhotoError) as fault:
        load_photo_file(tmp_path)
    assert fault.value.code == "empty_folder"
    assert "JPEG" in fault.value.fix or "JPEG" in fault.value.message


@pytest.mark.parametrize("name", ["gone.jpg", "a\0b.jpg"])
def test_what_can_not_be_opened_is_named(tmp_path: Path, name: str) -> None:
    with pytest.raises(PhotoError) as fault:
        load_photo_file(tmp_path / name)
    assert fault.value.code in ("not_found", "unreadable")
    assert fault.value.fix


def test_notes_are_read_without_the_picture_and_missing_ones_are_none(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(with_focal(26, (400, 300)))
    assert camera_notes(path).focal_35mm == 26
    for odd in (b"", b"no photo", path.read_bytes()[:30]):
        path.write_bytes(odd)
        assert camera_notes(path) == CameraNotes()
    assert camera_notes(tmp_path / "gone.jpg") == CameraNotes()


def test_pixels_can_not_be_changed_by_whoever_looks_at_them() -> None:
    photo = load_photo(with_focal(26, (400, 300)), name="a.jpg")
    with pytest.raises(ValueError, match="read-only"):
        photo.rgb[0, 0] = 0
