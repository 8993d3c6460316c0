"""What is recorded is there again, whole; what is deleted is gone."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from app.exit_codes import PhotoOutcome
from app.grading import GradedPiece, Result
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
from rules.sheet import load_sheet
from tests.app.records.pieces import (
    FINDINGS,
    GRADING,
    HOUSE,
    PLACE,
    graded,
    new_piece,
    photo,
    save_piece,
    stored_files,
)
from tests.rules.pieces import piece as some_findings
from tests.rules.pieces import tube


def test_a_piece_is_there_again_after_a_restart(folder: Path) -> None:
    with open_records(folder) as records:
        saved = save_piece(
            records,
            new_piece(
                1, 2, name="pipe\nfrom the cellar", notes="a\r\nb\x00c", tags=("Attic", "a ")
            ),
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
        save_piece(records, NewPiece(findings=f, grading=graded(f), sheet=HOUSE, name=name))
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
        return [piece.id for piece in records.pieces(**said)]  # type: ignore[arg-type]

    assert names() == [dull.id, pipe.id, wire.id]
    assert records.count() == 3
    assert names(limit=2) == [dull.id, pipe.id]
    assert names(tag="CONFIRMED") == [dull.id, pipe.id]
    assert names(buyer_id=buyer.id) == [dull.id]
    assert names(containing="0 %") == [wire.id]  # no wildcard
    assert names(containing="_") == []
    assert names(containing="LL") == [dull.id]
    nearest = records.nearest_confirmed(0.55, most=2)
    assert [piece.id for piece in nearest] == [dull.id, pipe.id]
    assert (dull.true_grade, records.piece(dull.id).true_grade) == (None, "no1")
    assert records.piece(pipe.id).true_grade == "no1"  # confirmed as suggested


def test_a_piece_can_be_changed(records: Records) -> None:
    saved = save_piece(records, new_piece(1))
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
    assert changed.grading.suggested == graded(pipe).suggested


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
    saved, buyer = save_piece(records, new_piece()), records.add_buyer("Yard")
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
    saved = save_piece(records, new_piece())
    buyer = records.add_buyer("A")
    with pytest.raises(RecordsError):
        records.record_outcome(saved.id, **({"buyer_id": buyer.id} | said))  # type: ignore[arg-type]
    assert records.piece(saved.id).outcomes == ()


def test_what_is_gone_says_so(records: Records) -> None:
    saved = save_piece(records, new_piece(1))
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
    saved = save_piece(records, new_piece(1, name=secret))
    records.record_outcome(saved.id, buyer_id=records.add_buyer("A").id, grade="no1")
    records.delete_everything()
    assert (records.count(), records.buyers(), stored_files(records)) == (0, (), set())
    for path in records.folder.rglob("*"):
        if path.is_file():
            assert secret.encode() not in path.read_bytes()
    assert save_piece(records, new_piece(1)).photos


def test_everything_can_be_deleted_while_somebody_reads(
    records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    save_piece(records, new_piece(1))
    with records.reading() as reader:
        assert reader.connection().exec_driver_sql("SELECT count(*) FROM piece").scalar() == 1
        with records._engine.connect() as connection:  # don't wait for the reader in a test
            connection.connection.dbapi_connection.execute("PRAGMA busy_timeout = 50")  # type: ignore[union-attr]
        records.delete_everything()
    assert records.count() == 0


def test_a_lost_photo_costs_only_itself(records: Records) -> None:
    saved = save_piece(records, new_piece(1, 2))
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
        saved = save_piece(one, new_piece(0))

        def work(number: int) -> None:
            records = (one, other)[number % 2]
            try:
                for turn in range(3):
                    mine = save_piece(records, new_piece(turn))  # the same photos as the others
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
