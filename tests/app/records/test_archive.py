"""Everything goes out into one file and comes back as it was; nothing hostile gets in."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import zipfile
from collections.abc import Callable, Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from app.opening import open_records
from app.records import BadArchiveError, PhotoLostError, Records
from app.records.archive import Imported, export_zip, import_zip
from app.records.clean import is_bare_picture
from tests.app.records.pieces import new_piece, photo, save_piece
from tests.app.records.test_photos import phone_photo

Content = dict[str, Any]


def fill(records: Records) -> None:
    saved = save_piece(records, new_piece(1, 2, name="=HYPERLINK(1)", notes="ä\n\tb", tags=("x",)))
    save_piece(records, new_piece(2, name="second"))
    buyer = records.add_buyer("Yard", notes="Tuesdays")
    records.record_own_call(saved.id, grade="no1", blind=True, who="me", tarnish_level=0.1)
    records.record_outcome(
        saved.id, buyer_id=buyer.id, grade="no2", paid=Decimal("0.10"), currency="USD"
    )


def everything(records: Records) -> tuple[object, ...]:
    pieces = records.pieces()
    photos = {p.sha256: records.photo_bytes(p.sha256) for piece in pieces for p in piece.photos}
    return pieces, records.buyers(), photos


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory, empty: Path) -> Path:
    """A folder with records in ``data`` and their export in ``out.zip``, made once."""
    folder = tmp_path_factory.mktemp("filled")
    with open_records(Path(shutil.copytree(empty, folder / "data"))) as records:
        fill(records)
        told = export_zip(records, folder / "out.zip")
    assert (told.pieces, told.photos, told.lost_photos) == (2, 2, ())
    return folder


@pytest.fixture
def records(filled: Path, tmp_path: Path) -> Iterator[Records]:
    with open_records(Path(shutil.copytree(filled / "data", tmp_path / "data"))) as opened:
        yield opened


@pytest.fixture
def exported(filled: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(filled / "out.zip", tmp_path / "out.zip"))


def changed(path: Path, change: Callable[[Content], object], **files: bytes) -> Path:
    """The same export with other content, and with files of that name (``__`` for ``/``)."""
    with zipfile.ZipFile(path) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    content = json.loads(members["records.json"])
    change(content)
    members["records.json"] = json.dumps(content).encode()
    other = path.with_name("changed.zip")
    with zipfile.ZipFile(other, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in {**members, **files}.items():
            if data:
                archive.writestr(name, data)
    return other


def nothing(_: Content) -> None:
    return None


def test_it_comes_back_without_loss_and_only_once(
    records: Records, exported: Path, tmp_path: Path, other: Records
) -> None:
    told = import_zip(other, exported)
    assert told == Imported(added=2, updated=0, unchanged=0, photos=2, other_rows=1)
    assert everything(other) == everything(records)
    again = import_zip(other, exported)
    assert again == Imported(added=0, updated=0, unchanged=2, photos=0, other_rows=0)
    assert everything(other) == everything(records)
    # and what goes out again is the same, but for the moment it was written
    export_zip(other, tmp_path / "again.zip")
    contents = []
    for path in (exported, tmp_path / "again.zip"):
        with zipfile.ZipFile(path) as archive:
            content = json.loads(archive.read("records.json"))
        del content["written_utc"]
        for stored in content["photos"]:
            del stored["added_utc"]
        contents.append(content)
    assert contents[0] == contents[1]


def test_it_comes_back_after_everything_was_deleted(records: Records, exported: Path) -> None:
    before = everything(records)
    records.delete_everything()
    import_zip(records, exported)
    assert everything(records) == before


def test_both_sides_keep_what_they_gained(
    records: Records, exported: Path, tmp_path: Path, other: Records
) -> None:
    import_zip(other, exported)
    second, first = records.pieces()
    records.add_tag(first.id, "here")
    other.record_own_call(first.id, grade="no2", blind=False)
    other.set_notes(first.id, "newer there")
    other.add_photo(second.id, photo(7))
    export_zip(other, tmp_path / "theirs.zip")
    told = import_zip(records, tmp_path / "theirs.zip")
    assert (told.added, told.updated, told.unchanged, told.photos) == (0, 2, 0, 1)
    merged = records.piece(first.id)
    assert merged.tags == ("here", "x")
    assert len(merged.own_calls) == 2 and merged.notes == "newer there"
    assert [p.name for p in records.piece(second.id).photos] == ["2.jpg", "7.jpg"]


def test_buyers_of_one_name_become_one(exported: Path, tmp_path: Path, other: Records) -> None:
    mine = other.add_buyer("YARD")
    import_zip(other, exported)
    assert other.buyers() == (mine,)
    assert len(other.pieces(buyer_id=mine.id)) == 1


def test_a_lost_photo_does_not_stop_the_rest(
    records: Records, tmp_path: Path, other: Records
) -> None:
    saved = records.pieces()[1]
    lost, kept = (p.sha256 for p in saved.photos)
    records.photos.path_of(lost, "jpeg").unlink()
    assert export_zip(records, tmp_path / "out.zip").lost_photos == (lost,)
    assert import_zip(other, tmp_path / "out.zip").added == 2
    assert other.photo_bytes(kept)
    with pytest.raises(PhotoLostError):
        other.photo_bytes(lost)


def test_camera_notes_do_not_get_in(exported: Path, tmp_path: Path, other: Records) -> None:
    data = phone_photo()
    name = hashlib.sha256(data).hexdigest()

    def swap(content: Content) -> None:
        piece = content["pieces"][0]
        piece["photos"] = piece["photos"][:1]
        piece["photos"][0]["sha256"] = name
        content["photos"].append(content["photos"][0] | {"sha256": name, "kind": "jpeg"})

    path = changed(exported, swap, **{f"photos/{name}.jpg": data})
    for _ in range(2):
        import_zip(other, path)
    (found,) = [p for piece in other.pieces() for p in piece.photos if piece.name[0] == "="]
    stored = other.photo_bytes(found.sha256)
    assert found.sha256 != name and is_bare_picture(stored, "jpeg")
    assert b"home" not in stored
    assert (found.width_px, found.height_px) == (48, 64)


def first_piece(**said: object) -> Callable[[Content], object]:
    return lambda content: content["pieces"][0].update(said)


def first_outcome(**said: object) -> Callable[[Content], object]:
    def change(content: Content) -> None:
        for piece in content["pieces"]:
            for outcome in piece["outcomes"]:
                outcome.update(said)

    return change


def first_photo(**said: object) -> Callable[[Content], object]:
    return lambda content: content["photos"][0].update(said)


HOSTILE = {
    "newer schema": lambda c: c.update(schema="cuproscope.records/2"),
    "no pieces": lambda c: c.pop("pieces"),
    "unknown key": lambda c: c.update(surprise=1),
    "unknown table": lambda c: c["tables"].update(sqlite_master=[]),
    "own table": lambda c: c["tables"].update(meta=[{"key": "a", "value": "b"}]),
    "row with another column": lambda c: c["tables"]["buyer"][0].update(x="y"),
    "row of another kind": lambda c: c["tables"]["buyer"][0].update(name=1),
    "row too long": lambda c: c["tables"]["buyer"][0].update(name="x" * 300),
    "row without a name": lambda c: c["tables"]["buyer"][0].update(name=None),
    "id that is no id": first_piece(id="../../x"),
    "the same piece twice": lambda c: c["pieces"].append(c["pieces"][0]),
    "time that is none": first_piece(created_utc="yesterday"),
    "hash that is none": first_piece(sheet={"id": "a", "title": "b", "hash": "c"}),
    "findings that can't be": first_piece(findings={"form": {"p": {"wire": 7.0}}}),
    "photo that is not there": first_photo(sha256="0" * 64),
    "photo without end": first_photo(width_px=10**30),
    "level without end": first_piece(findings={"form": {"p": {"wire": 10**400}}}),
    "path for a photo": first_photo(sha256="../../../etc/passwd"),
    "kind that is none": first_photo(kind="exe"),
    "buyer that is not there": first_outcome(buyer_id="0" * 32),
    "money that is none": first_outcome(paid="NaN"),
    "too much money": first_outcome(paid="1e20"),
    "money below nothing": first_outcome(paid="-1"),
    "money of no country": first_outcome(currency="=1"),
    "weight of nothing": first_outcome(weight_kg=0.0),
}


@pytest.mark.parametrize("change", HOSTILE.values(), ids=HOSTILE.keys())
def test_content_that_can_t_be_is_refused(
    exported: Path, tmp_path: Path, change: Callable[[Content], object], other: Records
) -> None:
    path = changed(exported, change)
    with pytest.raises(BadArchiveError) as caught:
        import_zip(other, path)
    assert caught.value.message
    assert (other.count(), other.buyers()) == (0, ())


@pytest.mark.parametrize(
    "name",
    ["../evil", "/etc/x", "photos/../x.jpg", "photos\\x.jpg", "C:x", "photos/" + "a" * 64 + ".svg"],
)
def test_names_that_no_export_has_are_refused(
    exported: Path, tmp_path: Path, name: str, other: Records
) -> None:
    path = changed(exported, nothing, **{name: b"x"})
    with pytest.raises(BadArchiveError):
        import_zip(other, path)
    assert other.count() == 0
    assert not (tmp_path / "evil").exists()


def photo_bomb() -> bytes:
    """A PNG of 30,000 by 30,000 pixels that says so in its header, and nothing behind it."""
    file = io.BytesIO()
    import struct
    import zlib

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    file.write(b"\x89PNG\r\n\x1a\n")
    file.write(chunk(b"IHDR", struct.pack(">IIBBBBB", 30_000, 30_000, 8, 2, 0, 0, 0)))
    file.write(chunk(b"IDAT", zlib.compress(bytes(90_001) * 10)) + chunk(b"IEND", b""))
    return file.getvalue()


@pytest.mark.parametrize(
    ("data", "kind"),
    [(b"<script>alert(1)</script>", "jpeg"), (b"\xff\xd8\xff\xd9", "jpeg"), (photo_bomb(), "png")],
    ids=["script", "empty picture", "bomb"],
)
def test_a_photo_that_is_none_is_refused(
    exported: Path, tmp_path: Path, data: bytes, kind: str, other: Records
) -> None:
    name = hashlib.sha256(data).hexdigest()

    def add(content: Content) -> None:
        content["photos"].append(content["photos"][0] | {"sha256": name, "kind": kind})
        content["pieces"][0]["photos"][0]["sha256"] = name

    path = changed(exported, add, **{f"photos/{name}.{'jpg' if kind == 'jpeg' else 'png'}": data})
    with pytest.raises(BadArchiveError):
        import_zip(other, path)
    assert other.count() == 0


def test_a_photo_that_was_exchanged_is_refused(
    exported: Path, tmp_path: Path, other: Records
) -> None:
    with zipfile.ZipFile(exported) as archive:
        one, two = (name for name in archive.namelist() if name.startswith("photos/"))
        files = {one: archive.read(two)}
    with pytest.raises(BadArchiveError, match="what its name says"):
        import_zip(other, changed(exported, nothing, **files))


def test_unpacking_stops_at_the_limit(
    exported: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, other: Records
) -> None:
    bomb = tmp_path / "bomb.zip"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("records.json", b" " * 3_000_000)
    monkeypatch.setattr("app.records.archive.unpack.MAX_JSON_BYTES", 1_000_000)
    with pytest.raises(BadArchiveError, match="MB"):
        import_zip(other, bomb)
    monkeypatch.setattr("app.records.archive.unpack.MAX_TOTAL_BYTES", 1_000)
    with pytest.raises(BadArchiveError, match="large"):
        import_zip(other, exported)
    monkeypatch.setattr("app.records.archive.unpack.MAX_MEMBERS", 2)
    with pytest.raises(BadArchiveError, match="files"):
        import_zip(other, exported)


def test_a_file_cut_short_or_flipped_is_refused_or_the_same(
    records: Records, exported: Path, tmp_path: Path, other: Records
) -> None:
    data, told = exported.read_bytes(), set()
    for at in range(0, len(data), max(1, len(data) // 25)):
        flipped = data[:at] + bytes([data[at] ^ 0x55]) + data[at + 1 :]
        for broken in (data[:at], flipped):
            try:
                import_zip(other, io.BytesIO(broken))
            except BadArchiveError:
                told.add("refused")
            else:
                told.add("taken")
                assert everything(other) == everything(records)
                other.delete_everything()
    assert other.count() == 0
    assert "refused" in told


def test_what_is_no_zip_is_refused(tmp_path: Path, records: Records) -> None:
    for number, data in enumerate((b"", b"hello", b"PK\x05\x06" + bytes(18))):
        path = tmp_path / f"{number}.zip"
        path.write_bytes(data)
        with pytest.raises(BadArchiveError):
            import_zip(records, path)
