"""What is recorded is there again, whole; what is deleted is gone."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from sqlalchemy.exc import OperationalError

from app.grading import GradedPiece, Result
from app.grading import Outcome as PhotoOutcome
from app.opening import open_records
from app.records import (
    CONFIRMED,
    NewPiece,
    NoSuchRecordError,
    PhotoLostError,
    PhotoRole,
    Records,
    RecordsError,
    new_pieces_of,
    stamp_of,
)
from app.records.archive import export_zip, import_zip
from app.records.database import DATABASE_NAME
from app.records.photos import encode_photo
from app.records.rows import known_hashes
from app.records.times import now_utc
from rules.sheet import load_sheet
from tests.app.records.pieces import (
    FINDINGS,
    GRADING,
    HOUSE,
    PLACE,
    graded,
    new_piece,
    photo,
    picture,
)
from tests.rules.pieces import piece as some_findings
from tests.rules.pieces import tube


def stored_files(records: Records) -> set[str]:
    return {path.stem for path in records.photos.folder.rglob("*") if path.is_file()}


def test_a_piece_is_there_again_after_a_restart(folder: Path) -> None:
    with open_records(folder) as records:
        saved = records.save_piece(
            new_piece(1, 2, name="pipe\nfrom the cellar", notes="a\r\nb\x00c", tags=("Attic", "a "))
        )
        buyer = records.add_buyer("Yard by the bridge")
        call = records.record_own_call(saved.id, grade="no1", blind=True, tarnish_level=0.4)
        outcome = records.record_outcome(
            saved.id,
            buyer_id=buyer.id,
            grade="no2",
            paid=Decimal("1234567890.10"),
            currency="eur",
            weight_kg=0.75,
            note="he doubted it",
        )
    with open_records(folder) as records:
        again = records.piece(saved.id)
        assert again.findings == FINDINGS
        assert again.grading == GRADING
        assert again.sheet == stamp_of(HOUSE)
        assert (again.name, again.notes, again.tags) == (
            "pipe from the cellar",
            "a\nb c",
            ("a", "attic"),
        )
        assert [(p.name, p.role, p.place, p.findings) for p in again.photos] == [
            ("1.jpg", PhotoRole.PLAIN, PLACE, FINDINGS),
            ("2.jpg", PhotoRole.PLAIN, PLACE, FINDINGS),
        ]
        assert again.own_calls == (call,) and call.blind
        assert again.outcomes == (outcome,)
        assert outcome.paid == Decimal("1234567890.10") and outcome.currency == "EUR"
        assert str(outcome.paid) == "1234567890.10"
        assert records.photo_bytes(again.photos[0].sha256)[:2] == b"\xff\xd8"
        assert abs(datetime.now(UTC) - again.created_utc) < timedelta(minutes=5)
        assert again.updated_utc > again.created_utc
        assert not records.messages


def test_pieces_of_one_photo_share_its_file(records: Records) -> None:
    shared = photo(5)
    first, second = records.save_pieces(
        [
            NewPiece(findings=FINDINGS, grading=GRADING, sheet=HOUSE, photos=(shared,))
            for _ in range(2)
        ]
    )
    assert len(stored_files(records)) == 1
    records.delete_piece(first.id)
    assert records.photo_bytes(second.photos[0].sha256)
    records.delete_piece(second.id)
    assert not stored_files(records)
    with pytest.raises(NoSuchRecordError):
        records.photo_bytes(second.photos[0].sha256)


def test_pieces_are_found_newest_first(records: Records) -> None:
    wire, pipe, dull = (
        records.save_piece(NewPiece(findings=f, grading=graded(f), sheet=HOUSE, name=name))
        for f, name in (
            (some_findings(), "100 % bright wire"),
            (tube(), "Ölpipe"),
            (some_findings(level=0.6), "dull"),
        )
    )
    records.add_tag(pipe.id, "Confirmed")
    records.add_tag(dull.id, CONFIRMED)
    buyer = records.add_buyer("A")
    records.record_outcome(dull.id, buyer_id=buyer.id, grade="no1")

    def names(**said: object) -> list[str]:
        found = records.pieces(**said)  # type: ignore[arg-type]
        if "limit" not in said:
            assert records.count(**said) == len(found)  # type: ignore[arg-type]
        return [piece.id for piece in found]

    assert names() == [dull.id, pipe.id, wire.id]
    assert names(limit=1, offset=1) == [pipe.id]
    assert names(tag="CONFIRMED") == [dull.id, pipe.id]
    assert names(buyer_id=buyer.id) == [dull.id]
    assert names(suggested="bare_bright") == [wire.id]
    assert names(containing="0 %") == [wire.id]  # no wildcard
    assert names(containing="_") == []
    assert names(containing="LL") == [dull.id]
    assert names(since_utc=pipe.created_utc) == [dull.id, pipe.id]
    assert records.tags() == ((CONFIRMED, 2),)
    nearest = records.nearest_confirmed(0.55, most=2)
    assert [piece.id for piece in nearest] == [dull.id, pipe.id]
    assert (dull.true_grade, records.piece(dull.id).true_grade) == (None, "no1")
    assert records.piece(pipe.id).true_grade == "no1"  # confirmed as suggested


def test_a_piece_can_be_changed(records: Records) -> None:
    saved = records.save_piece(new_piece(1))
    records.rename(saved.id, "x")
    records.set_notes(saved.id, "y")
    for tag in ("b", "a", "B"):
        records.add_tag(saved.id, tag)
    records.remove_tag(saved.id, "B ")
    pipe, other_sheet = tube(), load_sheet("circular-2017")
    changed = records.add_photo(
        saved.id,
        photo(2, role=PhotoRole.AFTER),
        findings=pipe,
        grading=graded(pipe),
        sheet=other_sheet,
    )
    assert (changed.name, changed.notes, changed.tags) == ("x", "y", ("a",))
    assert [p.role for p in changed.photos] == [PhotoRole.PLAIN, PhotoRole.AFTER]
    assert changed.findings == pipe and changed.sheet.id == "circular-2017"
    assert changed.sheet.hash != saved.sheet.hash
    assert records.count(suggested=str(graded(pipe).suggested)) == 1


def test_typed_pieces_can_be_saved(records: Records) -> None:
    result = Result(
        name="typed",
        outcome=PhotoOutcome.GRADED,
        pieces=(GradedPiece(findings=FINDINGS, grading=GRADING, name="from the van"),),
    )
    (saved,) = records.save_pieces(new_pieces_of(result, HOUSE))
    assert saved.name == "from the van" and saved.photos == ()


def test_buyers_have_one_name_each(records: Records) -> None:
    first = records.add_buyer(" Straße  7 ")
    assert records.add_buyer("STRASSE 7") == first
    records.add_buyer("Other")
    assert [buyer.name for buyer in records.buyers()] == ["Other", "Straße 7"]


def test_an_outcome_can_be_taken_back(records: Records) -> None:
    saved, buyer = records.save_piece(new_piece()), records.add_buyer("Yard")
    outcome = records.record_outcome(saved.id, buyer_id=buyer.id, grade="no1")
    assert records.piece(saved.id).outcomes == (outcome,)
    records.remove_outcome(outcome.id)
    assert records.piece(saved.id).outcomes == ()
    assert records.buyers() == (buyer,)


@pytest.mark.parametrize(
    "said",
    [
        {},
        {"grade": " "},
        {"paid": Decimal("-1"), "currency": "EUR"},
        {"paid": Decimal("NaN"), "currency": "EUR"},
        {"paid": Decimal("1")},
        {"paid": Decimal("1"), "currency": "E€R"},
        {"grade": "no1", "weight_kg": 0.0},
        {"grade": "no1", "weight_kg": float("inf")},
        {"grade": "no1", "buyer_id": "nobody"},
    ],
)
def test_an_outcome_that_can_t_be_is_refused(records: Records, said: dict[str, object]) -> None:
    saved = records.save_piece(new_piece())
    buyer = records.add_buyer("A")
    with pytest.raises(RecordsError):
        records.record_outcome(saved.id, **({"buyer_id": buyer.id} | said))  # type: ignore[arg-type]
    assert records.piece(saved.id).outcomes == ()


def test_what_is_gone_says_so(records: Records) -> None:
    saved = records.save_piece(new_piece(1))
    records.delete_piece(saved.id)
    for act in (
        lambda: records.piece(saved.id),
        lambda: records.delete_piece(saved.id),
        lambda: records.rename(saved.id, "x"),
        lambda: records.record_own_call(saved.id, grade="no1", blind=False),
        lambda: records.photo_bytes("../x"),
        lambda: records.buyer("x"),
    ):
        with pytest.raises(NoSuchRecordError) as caught:
            act()
        assert caught.value.fix


def test_everything_can_be_deleted(records: Records) -> None:
    secret = "a name nobody should find again"
    saved = records.save_piece(new_piece(1, name=secret))
    records.record_outcome(saved.id, buyer_id=records.add_buyer("A").id, grade="no1")
    records.delete_everything()
    assert (records.count(), records.buyers(), stored_files(records)) == (0, (), set())
    for path in records.folder.rglob("*"):
        if path.is_file():
            assert secret.encode() not in path.read_bytes()
    assert records.save_piece(new_piece(1)).photos


def test_everything_can_be_deleted_while_somebody_reads(
    records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    records.save_piece(new_piece(1))
    with records.reading() as reader:
        assert reader.connection().exec_driver_sql("SELECT count(*) FROM piece").scalar() == 1
        with records._engine.connect() as connection:  # don't wait for the reader in a test
            connection.connection.dbapi_connection.execute("PRAGMA busy_timeout = 50")  # type: ignore[union-attr]
        records.delete_everything()
    assert records.count() == 0


def test_a_lost_photo_costs_only_itself(records: Records) -> None:
    saved = records.save_piece(new_piece(1, 2))
    lost, kept = (p.sha256 for p in saved.photos)
    records.photos.path_of(lost, "jpeg").unlink()
    with pytest.raises(PhotoLostError):
        records.photo_bytes(lost)
    assert records.thumbnail(kept)
    records.delete_piece(saved.id)


def test_all_or_none_of_several_pieces_is_saved(
    records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    put, calls = records.photos.put, []

    def fails_at_the_second(encoded: object) -> None:
        calls.append(encoded)
        if len(calls) == 2:
            raise OSError(28, "No space left on device")
        put(encoded)  # type: ignore[arg-type]

    monkeypatch.setattr(records.photos, "put", fails_at_the_second)
    with pytest.raises(RecordsError, match="space"):
        records.save_pieces([new_piece(1), new_piece(2)])
    assert records.count() == 0


def test_many_threads_and_two_stores_work_on_one_folder(folder: Path) -> None:
    faults: list[BaseException] = []
    with open_records(folder) as one, open_records(folder) as other:
        saved = one.save_piece(new_piece(0))

        def work(number: int) -> None:
            records = (one, other)[number % 2]
            try:
                for turn in range(3):
                    mine = records.save_piece(new_piece(turn))  # the same photos as the others
                    records.add_tag(saved.id, f"t{number}-{turn}")
                    records.pieces(limit=2)
                    records.delete_piece(mine.id)
            except BaseException as fault:
                faults.append(fault)

        threads = [threading.Thread(target=work, args=(number,)) for number in range(6)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert not faults
        whole = other.piece(saved.id)
        assert len(whole.tags) == 18  # no change was lost
        assert other.count() == 1
        assert one.photo_bytes(whole.photos[0].sha256)
        assert stored_files(one) == {whole.photos[0].sha256}


@pytest.mark.parametrize("lost", ["damaged", "missing", "an older copy"])
def test_photos_of_a_lost_database_are_never_deleted(folder: Path, lost: str) -> None:
    with open_records(folder) as records:
        early = records.save_piece(new_piece(1)).photos[0].sha256
    copy = (folder / DATABASE_NAME).read_bytes()
    with open_records(folder) as records:
        late = records.save_piece(new_piece(2)).photos[0].sha256
        exported = folder / "all.zip"
        export_zip(records, exported)
    for path in (folder / "photos").rglob("*"):
        os.utime(path, (1, 1))  # long ago
    for path in folder.glob(f"{DATABASE_NAME}*"):
        path.unlink()
    if lost != "missing":
        damaged = b"damaged" * 999
        (folder / DATABASE_NAME).write_bytes(damaged if lost == "damaged" else copy)
    known = {early} if lost == "an older copy" else set()
    with open_records(folder) as records:
        told = " ".join(records.messages)
        assert "belong" in told and str(records.photos.aside) in told
        assert {path.stem for path in records.photos.laid_aside()} == {early, late} - known
        assert stored_files(records) == known
        import_zip(records, exported)
        assert records.photo_bytes(early) and records.photo_bytes(late)
    with open_records(folder) as records:
        assert not records.messages


def test_a_photo_of_somebody_who_is_saving_just_now_is_no_stray(folder: Path) -> None:
    with open_records(folder) as saving, saving.keeping() as keep:
        encoded = encode_photo(picture(5))
        keep(encoded)
        with open_records(folder) as other:
            assert not other.messages
            assert stored_files(other) == {encoded.sha256}


def test_what_could_not_be_saved_leaves_no_photo(
    records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise RecordsError("no")

    monkeypatch.setattr("app.records.store.new_piece_row", fails)
    with pytest.raises(RecordsError, match="no"):
        records.save_piece(new_piece(1))
    assert not stored_files(records)
    with records.reading() as session:
        assert not known_hashes(session)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("database or disk is full", "disk is full"),
        ("database is locked", "another program"),
        ("attempt to write a readonly database", "may not be written"),
    ],
)
def test_a_full_disk_and_a_lock_are_told_as_that(records: Records, said: str, words: str) -> None:
    with pytest.raises(RecordsError, match=words), records.writing():
        raise OperationalError("INSERT", {}, sqlite3.OperationalError(said))


OPENING = """
import os, sys
from pathlib import Path
opened = []
sys.addaudithook(lambda event, told: opened.append(str(told[0])) if event == "open" else None)
from app.opening import open_records
from app.records.archive import export_zip, import_zip
from tests.app.records.pieces import new_piece
folder = Path(sys.argv[1])
with open_records(folder) as one:
    one.save_piece(new_piece(1))
    with open_records(folder) as other:
        export_zip(other, folder / "all.zip")
        import_zip(other, folder / "all.zip")
    one.delete_everything(also_set_aside=True)
print([p for p in opened if p.endswith((".sqlite3", "-wal", "-shm", "-journal", ".lock"))])
"""


def test_nobody_but_sqlite_opens_its_files(folder: Path) -> None:
    """Python tells of each file that it opens itself; SQLite opens its own without Python."""
    told = subprocess.run(
        [sys.executable, "-c", OPENING, str(folder)], capture_output=True, text=True, check=True
    )
    assert told.stdout.strip() == "[]"


KILLED = """
import os, sys
from pathlib import Path
from app.opening import open_records
from app.records.photos import PhotoFolder
from tests.app.records.pieces import new_piece
records = open_records(Path(sys.argv[1]))
stop, kill = sys.argv[2], lambda *_: os.kill(os.getpid(), 9)
if stop == "before the photo is whole":
    os.fsync = kill
if stop == "before the file goes":
    PhotoFolder.remove = kill
if stop.startswith("at commit"):
    from sqlalchemy import event
    left = [int(stop.split()[-1])]
    def count(_):
        left[0] -= 1
        if not left[0]:
            kill()
    event.listen(records._engine, "commit", count)
if len(sys.argv) > 3:
    if sys.argv[3] == "all":
        records.delete_everything()
    records.delete_piece(sys.argv[3])
else:
    records.save_piece(new_piece(1, name="new"))
"""


def killed(folder: Path, *said: str) -> None:
    done = subprocess.run([sys.executable, "-c", KILLED, str(folder), *said], check=False)
    assert done.returncode == -9


def in_two_hours(monkeypatch: pytest.MonkeyPatch) -> None:
    later = now_utc() + timedelta(hours=2)
    monkeypatch.setattr("app.records.mending.now_utc", lambda: later)


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
@pytest.mark.parametrize("stop", ["before the photo is whole", "at commit 1", "at commit 2"])
def test_killed_while_saving_it_is_as_before(
    folder: Path, stop: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_records(folder) as records:
        old = records.save_piece(new_piece(2))
    killed(folder, stop)
    in_two_hours(monkeypatch)
    for part in folder.rglob(".part-*"):
        os.utime(part, (1, 1))
    with open_records(folder) as records:
        assert not records.messages
        assert [piece.id for piece in records.pieces()] == [old.id]
        assert records.photo_bytes(old.photos[0].sha256)
        assert stored_files(records) == {old.photos[0].sha256}
        with records.reading() as session:
            assert known_hashes(session) == {old.photos[0].sha256}
        assert records.save_piece(new_piece(1)).photos


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
@pytest.mark.parametrize("what", ["one", "all"])
@pytest.mark.parametrize(
    ("stop", "left"), [("at commit 1", 1), ("at commit 2", 0), ("before the file goes", 0)]
)
def test_killed_while_deleting_it_is_as_before_or_after(
    folder: Path, what: str, stop: str, left: int
) -> None:
    """What was deleted is gone for good at the next start, row and file, however fresh."""
    with open_records(folder) as records:
        old = records.save_piece(new_piece(2))
    killed(folder, stop, "all" if what == "all" else old.id)
    with open_records(folder) as records:
        assert not records.messages
        assert records.count() == left
        for piece in records.pieces():
            assert records.photo_bytes(piece.photos[0].sha256)
        with records.reading() as session:
            assert len(known_hashes(session)) == left
        assert len(stored_files(records)) == left
