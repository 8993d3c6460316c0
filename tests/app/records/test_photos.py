"""Photos are kept under the hash of their bytes, and hold nothing but the picture."""

from __future__ import annotations

import hashlib
import io
import os
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from app.records import PhotoLostError
from app.records.clean import is_bare_picture
from app.records.photos import PhotoFolder, encode_photo, small_picture
from tests.app.records.pieces import picture
from vision.photo.loading import load_photo

GPS_IFD, ORIENTATION = 0x8825, 0x0112  # Exif 2.3, from memory


def phone_photo() -> bytes:
    """A JPEG as a phone writes it: turned, with a place and a comment in it."""
    exif = Image.Exif()
    exif[ORIENTATION] = 6
    exif.get_ifd(GPS_IFD)[1] = "N"
    exif.get_ifd(GPS_IFD)[2] = (12.0, 34.0, 56.0)
    file = io.BytesIO()
    Image.fromarray(picture(height=48, width=64)).save(
        file, "JPEG", exif=exif, comment=b"shot at home", quality=95
    )
    return file.getvalue() + b"PK\x03\x04 hidden behind the picture"


@pytest.mark.parametrize("lossless", [False, True])
def test_nothing_but_the_picture_is_kept(lossless: bool) -> None:
    data = phone_photo()
    assert b"shot at home" in data and not is_bare_picture(data, "jpeg")
    encoded = encode_photo(load_photo(data, name="x").rgb, lossless=lossless)
    with Image.open(io.BytesIO(encoded.data)) as stored:
        assert not stored.getexif()
        assert stored.size == (48, 64) == (encoded.width_px, encoded.height_px)  # turned upright
        assert stored.format == encoded.kind.upper()
    assert is_bare_picture(encoded.data, encoded.kind)
    assert b"home" not in encoded.data and b"PK\x03\x04" not in encoded.data
    assert encoded.sha256 == hashlib.sha256(encoded.data).hexdigest()


@pytest.mark.parametrize("kind", ["jpeg", "png"])
def test_anything_added_to_a_bare_picture_is_seen(kind: str) -> None:
    data = encode_photo(picture(), lossless=kind == "png").data
    file = io.BytesIO()
    with Image.open(io.BytesIO(data)) as stored:
        exif = Image.Exif()
        exif[ORIENTATION] = 1
        stored.save(file, kind.upper(), exif=exif)
    assert is_bare_picture(data, kind)
    assert not is_bare_picture(file.getvalue(), kind)
    assert not is_bare_picture(data + b"x", kind)
    assert not any(is_bare_picture(data[:end], kind) for end in range(0, len(data), 97))


def test_png_keeps_every_code_and_jpeg_nearly() -> None:
    rgb = np.kron(picture(height=8, width=8), np.ones((16, 16, 1), np.uint8))
    for lossless, most in ((True, 0), (False, 12)):
        with Image.open(io.BytesIO(encode_photo(rgb, lossless=lossless).data)) as stored:
            off = np.abs(np.asarray(stored).astype(int) - rgb)
        assert np.percentile(off, 99) <= most


def test_a_photo_is_whole_and_checked(tmp_path: Path) -> None:
    photos, encoded = PhotoFolder(tmp_path), encode_photo(picture())
    photos.put(encoded)
    photos.put(encoded)
    assert photos.get(encoded.sha256, "jpeg") == encoded.data
    path = photos.path_of(encoded.sha256, "jpeg")
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == [path]

    path.write_bytes(encoded.data[:-1] + b"x")
    with pytest.raises(PhotoLostError, match="changed"):
        photos.get(encoded.sha256, "jpeg")
    photos.put(encoded)  # the same photo again mends it
    assert photos.get(encoded.sha256, "jpeg") == encoded.data
    path.unlink()
    with pytest.raises(PhotoLostError, match="gone"):
        photos.get(encoded.sha256, "jpeg")


@pytest.mark.parametrize("name", ["../../etc/passwd", "", "A" * 64, "a" * 63, "a" * 64 + "\n"])
def test_a_name_that_is_no_hash_is_no_path(tmp_path: Path, name: str) -> None:
    with pytest.raises(PhotoLostError):
        PhotoFolder(tmp_path).path_of(name, "jpeg")


def test_a_write_that_fails_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="space"):
        PhotoFolder(tmp_path).put(encode_photo(picture()))
    assert not [p for p in tmp_path.rglob("*") if p.is_file()]


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.rglob("*") if path.is_file()}


def test_what_nobody_knows_is_laid_aside_and_found_again(tmp_path: Path) -> None:
    photos = PhotoFolder(tmp_path / "photos")
    known, unknown = (encode_photo(picture(seed)) for seed in range(2))
    for encoded in (known, unknown):
        photos.put(encoded)
        os.utime(photos.path_of(encoded.sha256, "jpeg"), (1, 1))
    other = photos.path_of(known.sha256, "jpeg").with_name("my own.txt")
    other.write_text("not ours")
    assert photos.lay_aside_unknown({known.sha256}) == 1
    assert names(tmp_path / "photos") == {f"{known.sha256}.jpg", "my own.txt"}
    assert [path.name for path in photos.laid_aside()] == [f"{unknown.sha256}.jpg"]
    assert photos.lay_aside_unknown({known.sha256}) == 0
    # Its record was imported again.
    assert photos.get(unknown.sha256, "jpeg") == unknown.data
    assert not photos.laid_aside()
    photos.lay_aside_unknown({known.sha256})
    photos.remove_unknown({known.sha256})
    assert names(tmp_path) == {f"{known.sha256}.jpg", "my own.txt"}


def test_what_was_half_written_an_hour_ago_goes(tmp_path: Path) -> None:
    photos = PhotoFolder(tmp_path)
    photos.put(encode_photo(picture()))
    (folder,) = tmp_path.iterdir()
    old, fresh = folder / ".part-old", folder / ".part-fresh"
    for part in (old, fresh):
        part.write_bytes(b"half")
    os.utime(old, (1, 1))
    photos.sweep_parts()
    assert not old.exists() and fresh.exists()


def test_a_small_picture_is_small() -> None:
    for height, width in ((300, 900), (20, 10)):
        data = encode_photo(picture(height=height, width=width)).data
        with Image.open(io.BytesIO(small_picture(data, longest_px=100))) as small:
            assert max(small.size) == min(100, max(height, width))
