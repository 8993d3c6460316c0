"""An import of whatever comes: taken whole, so that every page can read it, or not at all.

60 changed values and 40 damaged files here, five times as many by ``make hostile``. Seen to
fail first: bad bodies, days, units and prices went in and then broke pages for good; 48 KB
took 2.5 GB.
"""

from __future__ import annotations

import io
import os
import shutil
import tracemalloc
import zipfile
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest

from app.load.demo import LOAD, WEIR, add_demo
from app.load.store import LoadStore
from app.load.terms import terms_of
from app.load.ticket import PaidLine
from app.load.ticket_csv import write_ticket_csv
from app.load.ticket_pdf import write_ticket_pdf
from app.load.units import MassUnit
from app.opening import open_records
from app.practice.cards import fixture_cards, fixture_folder
from app.practice.store import Practice
from app.records import BadArchiveError, Records
from app.records.archive import export_zip, import_zip
from app.records.spreadsheet import export_csv
from app.web.records.view import drawn
from tests.app.records.pieces import HOUSE, new_piece, save_piece
from tests.hostile.archives import (
    bombs,
    flipped,
    mutated,
    odd_names,
    packed,
    put,
    repacked,
    wide_directory,
)

TIMES = int(os.environ.get("CUPROSCOPE_HOSTILE", "1"))
DAY = date(2026, 3, 20)
MOST_BYTES = 100 * 2**20
"""What a refusal may take; reading the demo's own export takes a tenth of it."""


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("empty") / "data"
    open_records(folder).close()
    return folder


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory, empty: Path) -> bytes:
    """An export with something in every table."""
    folder = tmp_path_factory.mktemp("whole")
    with open_records(Path(shutil.copytree(empty, folder / "data"))) as records:
        saved = save_piece(records, new_piece(1, 2, name="pipe", notes="a\nb", tags=("attic",)))
        records.record_own_call(saved.id, grade="no1", blind=True, who="me", tarnish_level=0.2)
        store = LoadStore(records)
        add_demo(store, today=DAY)
        yard = next(one for one in records.buyers() if one.name == WEIR)
        records.record_outcome(
            saved.id, buyer_id=yard.id, grade="no2", paid=Decimal("2.50"), currency="USD"
        )
        first, _ = (
            store.write_ticket(LOAD, WEIR, day=DAY, unit=MassUnit.LB, bins=[name])
            for name in ("blue tub", "white bucket")
        )
        paid = PaidLine(bin="blue tub", grade="no2", amount=Decimal("9.50"))
        store.settle(first.code, [paid], day=DAY, note="they were in doubt")
        practice = Practice(records)
        cards = fixture_folder()
        assert cards is not None
        helper = practice.add_helper("Robin")
        some = fixture_cards(cards, HOUSE)[:30]
        practice.answer(helper.id, some[0], grade="no1", row=some[0].row, seconds=2.0)
        practice.begin_test(helper.id, some)
        export_zip(records, folder / "out.zip")
    data = (folder / "out.zip").read_bytes()
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        text = archive.read("records.json")
    for table in ("load_ticket", "practice_test", "practice_schedule", "load_bin", "helper"):
        assert b'"%s":[{' % table.encode() in text
    return data


def read_as_the_pages_do(records: Records, folder: Path) -> None:
    """Ask for all that the pages and commands show; raises where one of them would break."""
    store, practice = LoadStore(records), Practice(records)
    for piece in records.pieces():
        for photo in piece.photos:
            data = records.photo_bytes(photo.sha256)
            if photo.place is not None:
                drawn(data, photo, piece)
    export_csv(records, folder / "table.csv")
    buyers, book = store.buyers(), store.book()
    for buyer in buyers:
        terms = terms_of(buyer, book, on=DAY)
        assert terms.sheet and all(price.per_kg >= 0 for price in terms.prices)
    for name in store.names():
        load = store.load(name)
        assert load.kg >= 0 and all(b.weight is None or b.weight.kg >= 0 for b in load.bins)
    codes = [ticket.code for ticket in store.tickets()]
    assert len(set(codes)) == len(codes)
    for ticket in store.tickets():
        path = folder / f"ticket-{ticket.code}"
        assert path.resolve().parent == folder.resolve()
        write_ticket_pdf(path.with_suffix(".pdf"), ticket, photo_of=lambda *_: None)
        write_ticket_csv(path.with_suffix(".csv"), ticket)
    for helper in practice.helpers():
        practice.progress(helper.id, grades=HOUSE.grade_ids)
        practice.due(helper.id)
        for test in practice.tests(helper.id):
            practice.test(test.id)
        cards = fixture_folder()
        assert cards is not None
        practice.next_cards(helper.id, fixture_cards(cards, HOUSE))
    export_zip(records, folder / "again.zip")


def taken_in(data: bytes, empty: Path, folder: Path) -> bool:
    """Import a file into records of its own; whether it was taken, and then all is well."""
    with open_records(Path(shutil.copytree(empty, folder / "data"))) as records:
        try:
            import_zip(records, io.BytesIO(data))
        except BadArchiveError as fault:
            assert len(str(fault)) < 600
            assert records.count() == 0 and not records.buyers()
            assert not LoadStore(records).names() and not Practice(records).helpers()
            assert not list(records.photos.folder.rglob("*.jpg"))
            return False
        read_as_the_pages_do(records, folder)
        with open_records(Path(shutil.copytree(empty, folder / "twice"))) as again:
            import_zip(again, folder / "again.zip")  # what is taken in goes out and in again
        return True


def test_what_was_exported_is_taken(whole: bytes, empty: Path, tmp_path: Path) -> None:
    assert taken_in(whole, empty, tmp_path)


def test_a_value_in_anothers_place_breaks_no_page(
    whole: bytes, empty: Path, tmp_path: Path
) -> None:
    told = {True: 0, False: 0}
    for number, (where, data) in enumerate(mutated(whole, 60 * TIMES, seed=TIMES)):
        folder = tmp_path / str(number)
        folder.mkdir()
        try:
            told[taken_in(data, empty, folder)] += 1
        except Exception as fault:
            pytest.fail(f"{where}: {fault!r}")
        shutil.rmtree(folder)
    assert told[False] > 10 and told[True] > 0


def test_damage_is_refused_or_harmless(whole: bytes, empty: Path, tmp_path: Path) -> None:
    for number, data in enumerate(flipped(whole, 40 * TIMES, seed=TIMES)):
        folder = tmp_path / str(number)
        folder.mkdir()
        taken_in(data, empty, folder)
        shutil.rmtree(folder)


def test_no_member_goes_anywhere(whole: bytes, empty: Path, tmp_path: Path) -> None:
    for number, data in enumerate(odd_names(whole)):
        (tmp_path / str(number)).mkdir()
        assert not taken_in(data, empty, tmp_path / str(number))


BOMBS = bombs()


@pytest.mark.parametrize("name", [*BOMBS, "a wide directory"])
def test_a_bomb_takes_little(name: str, empty: Path, tmp_path: Path) -> None:
    data = wide_directory() if name == "a wide directory" else BOMBS[name]
    with open_records(Path(shutil.copytree(empty, tmp_path / "data"))) as records:
        tracemalloc.start()
        try:
            with pytest.raises(BadArchiveError):
                import_zip(records, io.BytesIO(data))
            _, most = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
        assert most < MOST_BYTES
        assert records.count() == 0


def test_a_member_larger_than_it_says_is_refused(empty: Path, tmp_path: Path) -> None:
    data = bytearray(packed(b'{"schema": "' + b"a" * 2_000_000 + b'"}'))
    at = data.rindex(b"PK\x01\x02")
    data[at + 24 : at + 28] = (10).to_bytes(4, "little")  # size once unpacked (APPNOTE 4.3.12)
    assert not taken_in(bytes(data), empty, tmp_path)


def test_the_first_fault_is_told_with_its_place(whole: bytes, empty: Path, tmp_path: Path) -> None:
    faults = {
        ("tables", "load_price", "2", "amount"): ("-3", "load_price no. 3"),
        ("tables", "load_price", "0", "day"): ("2026-02-30", "load_price no. 1"),
        ("tables", "load_bin", "1", "name"): ("", "load_bin no. 2"),
        ("tables", "buyer", "0", "name"): ("a\nb", "buyer no. 1"),
        ("pieces", "0", "photos", "1", "place", "box_px", "0"): (-4, "piece no. 1"),
        ("tables", "load_ticket", "0", "code"): ("../x", "load_ticket no. 1"),
        ("tables", "load_buyer", "0", "body", "json", "sheet"): ("/etc/passwd", "load_buyer no. 1"),
    }
    with open_records(Path(shutil.copytree(empty, tmp_path / "data"))) as records:
        for path, (nasty, place) in faults.items():
            data = repacked(whole, lambda content, p=path, n=nasty: put(content, p, n))  # type: ignore[misc]
            with pytest.raises(BadArchiveError) as told:
                import_zip(records, io.BytesIO(data))
            assert place in (told.value.where or ""), (path, told.value.where)
        assert records.count() == 0
