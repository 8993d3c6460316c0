"""Everything in one file, read back with Python's own zip and JSON readers."""

from __future__ import annotations

import hashlib
import json
import zipfile
from pathlib import Path

import pytest

from app.records import Records
from app.records.archive import export, export_zip
from app.records.errors import RecordsError
from tests.app.records.pieces import new_piece, save_piece, stored_files


def test_each_photo_lies_under_its_own_hash(records: Records, tmp_path: Path) -> None:
    save_piece(records, new_piece(1, 2))
    told = export_zip(records, tmp_path / "out.zip")
    assert (told.pieces, told.photos, told.lost_photos) == (1, 2, ())
    with zipfile.ZipFile(tmp_path / "out.zip") as archive:
        assert archive.testzip() is None
        names = [name for name in archive.namelist() if name.startswith("photos/")]
        assert {Path(name).stem for name in names} == stored_files(records)
        for name in names:
            assert hashlib.sha256(archive.read(name)).hexdigest() == Path(name).stem  # FIPS 180-4


def test_a_photo_of_two_pieces_lies_there_once(records: Records, tmp_path: Path) -> None:
    records.save_pieces([new_piece(1), new_piece(1)])
    assert export_zip(records, tmp_path / "out.zip").photos == 1


def test_nobody_else_may_read_what_is_unpacked_and_no_time_is_told(
    records: Records, tmp_path: Path
) -> None:
    save_piece(records, new_piece(1))
    export_zip(records, tmp_path / "out.zip")
    with zipfile.ZipFile(tmp_path / "out.zip") as archive:
        for member in archive.infolist():
            assert member.external_attr >> 16 & 0o777 == 0o600
            assert member.date_time == (1980, 1, 1, 0, 0, 0)  # the earliest a zip can say


def test_photos_are_not_packed_again_and_words_are(records: Records, tmp_path: Path) -> None:
    save_piece(records, new_piece(1))
    export_zip(records, tmp_path / "out.zip")
    with zipfile.ZipFile(tmp_path / "out.zip") as archive:
        kinds = {m.filename.split("/")[0]: m.compress_type for m in archive.infolist()}
    assert kinds == {"photos": zipfile.ZIP_STORED, "records.json": zipfile.ZIP_DEFLATED}


@pytest.mark.parametrize("count", [0, 1, 5])
def test_all_pieces_come_in_the_order_in_which_they_were_made(
    records: Records, tmp_path: Path, count: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(export, "_BATCH", 2)
    saved = records.save_pieces([new_piece(name=f"{n}") for n in range(count)])
    export_zip(records, tmp_path / "out.zip")
    with zipfile.ZipFile(tmp_path / "out.zip") as archive:
        content = json.loads(archive.read("records.json"))
    assert {one["id"] for one in content["pieces"]} == {one.id for one in saved}
    times = [one["created_utc"] for one in content["pieces"]]
    assert times == sorted(times)


def test_a_file_that_can_not_be_written_leaves_what_was_there(
    records: Records, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(RecordsError, match="can't be written") as fault:
        export_zip(records, tmp_path / "file" / "out.zip")
    assert fault.value.where is not None and fault.value.where.endswith("out.zip")
    assert (tmp_path / "file").read_text() == "no folder"
