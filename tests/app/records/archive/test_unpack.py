"""What a file may hold before anything of it is believed, on zips made by Python's own writer."""

from __future__ import annotations

import io
import struct
import zipfile

import pytest

from app.records.archive import unpack
from app.records.archive.unpack import MAX_DIRECTORY_BYTES, check_directory, members_of
from app.records.errors import BadArchiveError

HASH = "a" * 64


def zipped(*names: str, packing: int = zipfile.ZIP_DEFLATED) -> io.BytesIO:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", packing) as archive:
        for name in names:
            archive.writestr(name, b"x")
    out.seek(0)
    return out


def members(*names: str, packing: int = zipfile.ZIP_DEFLATED) -> set[str]:
    with zipfile.ZipFile(zipped(*names, packing=packing)) as archive:
        return set(members_of(archive))


def test_records_and_photos_by_their_hash_are_taken() -> None:
    names = ("records.json", f"photos/{HASH}.jpg", f"photos/{HASH}.png")
    assert members(*names) == set(names)


@pytest.mark.parametrize(
    "name",
    [
        f"photos/{HASH}.jpeg",
        f"photos/{HASH}.jpg/../x",
        f"photos/{HASH.upper()}.jpg",
        f"photos/{HASH[:-1]}.jpg",
        f"/photos/{HASH}.jpg",
        f"photos//{HASH}.jpg",
        "records.json/",
        "RECORDS.JSON",
        "../records.json",
    ],
)
def test_any_other_name_is_refused_and_told(name: str) -> None:
    with pytest.raises(BadArchiveError, match="no export has") as fault:
        members("records.json", name)
    assert fault.value.where is not None and fault.value.fix


def test_without_records_it_is_none_of_ours() -> None:
    with pytest.raises(BadArchiveError, match=r"has no records\.json"):
        members(f"photos/{HASH}.jpg")


@pytest.mark.parametrize("packing", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_what_is_packed_as_no_export_is_is_refused(packing: int) -> None:
    with pytest.raises(BadArchiveError, match="packed in a way"):
        members("records.json", packing=packing)


def test_a_file_that_stands_twice_is_refused() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("records.json", b"1")
        with pytest.warns(UserWarning, match="Duplicate"):
            archive.writestr("records.json", b"2")
    with zipfile.ZipFile(out) as archive, pytest.raises(BadArchiveError, match="twice"):
        members_of(archive)


def test_a_locked_file_is_refused() -> None:
    # Bit 0 of the general purpose flag: encrypted (PKWARE's APPNOTE, 4.4.4).
    data = bytearray(zipped("records.json").getvalue())
    directory = data.index(b"PK\x01\x02")
    data[directory + 8] |= 1
    with (
        zipfile.ZipFile(io.BytesIO(bytes(data))) as archive,
        pytest.raises(BadArchiveError, match="locked"),
    ):
        members_of(archive)


def test_an_honest_directory_passes_and_stays_readable() -> None:
    out = zipped("records.json")
    check_directory(out)
    assert out.tell() == 0
    assert zipfile.is_zipfile(out)


@pytest.mark.parametrize("size", [MAX_DIRECTORY_BYTES, MAX_DIRECTORY_BYTES + 1])
def test_a_directory_larger_than_any_export_s_is_refused_by_its_end_record(size: int) -> None:
    # Size of the directory: four bytes, 12 behind the end record's sign (APPNOTE, 4.3.16).
    data = bytearray(zipped("records.json").getvalue())
    end = data.rindex(b"PK\x05\x06")
    struct.pack_into("<I", data, end + 12, size)
    if size <= MAX_DIRECTORY_BYTES:
        check_directory(io.BytesIO(bytes(data)))
    else:
        with pytest.raises(BadArchiveError, match="files"):
            check_directory(io.BytesIO(bytes(data)))


def test_what_is_packed_far_tighter_than_records_are_is_given_up_early(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(unpack, "FREE_BYTES", 1000)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("records.json", bytes(4_000_000))  # zeros pack a thousand times
    taken = 0
    with zipfile.ZipFile(out) as archive:
        info = archive.getinfo("records.json")
        with pytest.raises(BadArchiveError, match="packed more than"):
            for chunk in unpack._unpacking(archive, info, most=10**9):
                taken += len(chunk)
    assert taken <= unpack.MAX_RATIO * info.compress_size + 1000
