"""Loads in the records: whole or not at all, also when killed between two writes."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from app.load.bins import Bin, Load, Piece, moved, weighed_bin, with_bin, with_piece, without_piece
from app.load.buyers import OwnLimit, Stance
from app.load.demo import BUYERS, LOAD, add_demo, demo_load, remove_demo
from app.load.pieces import next_id
from app.load.prices import Price
from app.load.store import LoadStore
from app.load.ticket import PaidLine
from app.load.units import LoadError, MassUnit
from app.load.weights import read_scale
from app.opening import open_records
from app.records import NewPiece
from app.records.archive import export_zip, import_zip
from app.records.database import DATABASE_NAME
from rules.engine import grade
from rules.findings import Form
from rules.sheet import load_sheet
from rules.table import AtLimit
from tests.app.load.loads import DAY, buyer, kg, piece
from tests.app.records.pieces import save_piece
from tests.rules.pieces import mm
from tests.rules.pieces import piece as findings_of

ROOT = Path(__file__).parents[3]


def price(amount: str, *, grade_id: str = "no1", ago: int = 0, who: str = "Yard") -> Price:
    return Price(
        buyer=who, grade=grade_id, amount=Decimal(amount), per=MassUnit.LB, currency="USD",
        day=DAY - timedelta(days=ago),
    )  # fmt: skip


def a_load(load: Load) -> Load:
    load = with_bin(load, Bin(name="ones", grade="no1", weighed=None))
    for name, amount in (("a", "6.0"), ("b", "4.0")):
        load = with_piece(load, "ones", piece(name, amount))
    return with_bin(load, Bin(name="twos", grade="no2", weighed=kg("3.25", 0.05)))


# ----------------------------------------------------------------- what is kept


def test_a_load_comes_back_as_it_was_kept(store: LoadStore) -> None:
    load = store.edit("van", a_load)
    assert store.load("VAN ") == load
    assert store.names() == ("van",)
    assert load.kg == Decimal("13.25")


def test_everything_that_is_known_of_a_piece_comes_back(store: LoadStore) -> None:
    demo = demo_load()
    store.put_all(buyers=(), prices=(), loads=[demo])
    assert store.load(LOAD) == demo


def test_a_number_stays_given_when_its_piece_or_its_load_is_gone(store: LoadStore) -> None:
    def put(load: Load) -> Load:
        if not load.bins:
            load = with_bin(load, Bin(name="ones", grade="no1"))
        return with_piece(load, "ones", piece(next_id(load.taken), "1"))

    for _ in range(3):
        store.edit("van", put)
    store.edit("van", lambda load: without_piece(load, "p3")[0])
    assert [one.id for one in store.edit("van", put).pieces] == ["p1", "p2", "p4"]
    store.save_buyer(buyer("Yard"))
    store.add_prices([price("3.80")])
    store.write_ticket("van", "Yard", day=DAY, unit=MassUnit.LB)
    store.remove("van")
    assert [one.id for one in store.edit("van", put).pieces] == ["p5"]


def test_the_numbers_of_before_are_counted_in(store: LoadStore, folder: Path) -> None:
    """The column came later: filled from the pieces and the tickets that were there."""
    store.edit("van", a_load)
    store.edit("van", lambda load: with_piece(load, "ones", piece("p7", "1")))
    store.save_buyer(buyer("Yard"))
    store.add_prices([price("3.80")])
    store.write_ticket("van", "Yard", day=DAY, unit=MassUnit.LB, bins=["ones"])
    store.edit("van", lambda load: without_piece(load, "p7")[0])
    store.records.close()
    with closing(sqlite3.connect(folder / DATABASE_NAME)) as connection:
        connection.execute("ALTER TABLE load DROP COLUMN given")
        connection.execute("UPDATE alembic_version SET version_num = '0003'")
        connection.commit()
    with open_records(folder) as records:
        assert next_id(LoadStore(records).load("van").taken) == "p8"


def test_names_of_before_lose_what_turns_text_and_are_found(store: LoadStore, folder: Path) -> None:
    """Unicode Standard Annex 9 names the characters; names were kept with them before."""
    store.edit("van", a_load)
    for name in ("Yard", "Mill"):
        store.save_buyer(buyer(name))
    store.records.close()
    with closing(sqlite3.connect(folder / DATABASE_NAME)) as connection:
        # The second one's name comes to be the first one's, once it is clean.
        for told, old in (("\u202eYard\u202c", "Mill"), ("Y\u2066ard", "Yard")):
            connection.execute(
                "UPDATE buyer SET name = ?, name_key = ? WHERE name = ?",
                (told, told.casefold(), old),
            )
        connection.execute("UPDATE load SET name = 'v\u202ban', name_key = 'v\u202ban'")
        connection.execute("UPDATE load_bin SET name = name || '\u202e'")
        connection.execute("UPDATE alembic_version SET version_num = '0004'")
        connection.commit()
    with open_records(folder) as records:
        kept = LoadStore(records)
        assert [one.name for one in kept.buyers()] == ["Yard", "Yard 2"]
        assert [b.name for b in kept.load("van").bins] == [
            b.name for b in a_load(Load(name="van")).bins
        ]
        assert kept.edit("van", lambda load: moved(load, "a", "twos")) == kept.load("van")


def test_an_edit_that_fails_leaves_everything(store: LoadStore) -> None:
    before = store.edit("van", a_load)
    with pytest.raises(LoadError):
        store.edit("van", lambda load: moved(with_piece(load, "ones", piece("c", "1")), "c", "no"))
    assert store.load("van") == before


def test_moves_weights_and_removals_are_kept(store: LoadStore) -> None:
    store.edit("van", a_load)
    after = store.edit("van", lambda load: moved(load, "a", "twos"))
    assert store.load("van") == after
    weight = read_scale(Decimal("9.9"), unit=MassUnit.KG, tare=Decimal("0.4"))
    after = store.edit("van", lambda load: weighed_bin(load, "twos", weight))
    assert store.load("van").bin("twos").weighed == weight
    after = store.edit("van", lambda load: without_piece(load, "b")[0])
    assert store.load("van") == after
    store.remove("van")
    assert store.load("van").bins == ()


def test_a_buyer_keeps_own_rules_prices_and_history(store: LoadStore) -> None:
    yard = buyer(
        "Yard",
        limits={"strand": OwnLimit(value=1.35, at_limit=AtLimit.FAILS)},
        solder=Stance.PASSES,
        deduction=Decimal("0.025"),
        travel=Decimal("4.50"),
        forgiven=2,
    )
    store.save_buyer(yard)
    store.add_prices([price("3.40", ago=9), price("3.60")])
    assert store.buyer("yard") == yard
    assert [p.amount for p in store.book().history("Yard", "no1")] == [
        Decimal("3.40"),
        Decimal("3.60"),
    ]
    with pytest.raises(LoadError, match="prices in USD"):
        store.save_buyer(replace(yard, currency="CAD"))
    with pytest.raises(LoadError, match="pays in USD"):
        store.add_prices([replace(price("1"), currency="CAD")])
    with pytest.raises(LoadError, match="no buyer"):
        store.add_prices([price("3.70"), price("1", who="Nobody")])
    assert len(store.book().prices) == 2
    store.remove_buyer("Yard")
    assert store.buyers() == ()
    assert store.book().prices == ()


# ------------------------------------------------------------ tickets, settling


def recorded(store: LoadStore, name: str, amount: str) -> Piece:
    findings = findings_of(Form.WIRE, diameter=mm(2.0))
    sheet = load_sheet("house")
    grading = grade(findings, sheet)
    kept = save_piece(store.records, NewPiece(findings=findings, grading=grading, sheet=sheet))
    return Piece(
        id=name, name=name, p=grading.p, weight=kg(amount), findings=findings, record=kept.id
    )


def test_settling_sells_the_bins_and_tells_the_records(store: LoadStore) -> None:
    store.save_buyer(buyer("Yard"))
    store.add_prices([price("4.00", grade_id="bare_bright")])
    one = recorded(store, "w", "2.0")

    def fill(load: Load) -> Load:
        load = with_piece(with_bin(load, Bin(name="b", grade="bare_bright")), "b", one)
        return with_bin(load, Bin(name="later", grade="no2", weighed=kg("1")))

    store.edit("van", fill)
    ticket = store.write_ticket("van", "Yard", day=DAY, unit=MassUnit.LB, bins=["b"])
    # 2 kg at 4.00 a pound: 2 / 0.45359237 * 4 = 17.636981: 17.64.
    assert ticket.labelled == Decimal("17.64")
    assert store.ticket(ticket.code) == ticket
    paid = PaidLine(bin="b", grade="no1", amount=Decimal("15.00"))
    settled = store.settle(ticket.code, [paid], day=DAY, note="said it was dull")
    assert store.ticket(ticket.code) == settled
    assert [b.name for b in store.load("van").bins] == ["later"]
    assert one.record is not None
    (outcome,) = store.records.piece(one.record).outcomes
    assert (outcome.grade, outcome.paid, outcome.currency) == ("no1", Decimal("15.00"), "USD")
    assert outcome.buyer_name == "Yard"
    with pytest.raises(LoadError, match="already"):
        store.settle(ticket.code, [], day=DAY)
    with pytest.raises(LoadError, match="settled"):
        store.remove_ticket(ticket.code)


def test_deleting_a_record_leaves_its_copper_in_the_load(store: LoadStore) -> None:
    one = recorded(store, "w", "2.0")
    store.edit("van", lambda load: with_piece(with_bin(load, Bin(name="b", grade="no1")), "b", one))
    assert one.record is not None
    store.records.delete_piece(one.record)
    assert store.load("van").kg == Decimal("2.0")
    assert store.load("van").piece("w").record is None


def test_loads_travel_with_the_records_export(store: LoadStore, tmp_path: Path) -> None:
    store.save_buyer(buyer("Yard"))
    store.add_prices([price("4.00")])
    load = store.edit("van", a_load)
    ticket = store.write_ticket("van", "Yard", day=DAY, unit=MassUnit.KG, bins=["ones"])
    export_zip(store.records, tmp_path / "all.zip")
    with open_records(tmp_path / "other") as records:
        import_zip(records, tmp_path / "all.zip")
        other = LoadStore(records)
        assert other.load("van") == load
        assert other.ticket(ticket.code) == ticket
        assert other.book() == store.book()


def test_two_windows_do_not_undo_each_other(store: LoadStore, folder: Path) -> None:
    store.edit("van", a_load)
    with open_records(folder) as records:
        other = LoadStore(records)
        other.edit("van", lambda load: with_piece(load, "ones", piece("c", "1")))
        store.edit("van", lambda load: with_piece(load, "ones", piece("d", "1")))
        assert {one.id for one in other.load("van").pieces} == {"a", "b", "c", "d"}


# ---------------------------------------------------------------------- demo


def test_the_demo_goes_in_and_out_and_leaves_your_own_things(store: LoadStore) -> None:
    store.save_buyer(buyer("Yard"))
    store.edit("van", a_load)
    add_demo(store, today=DAY)
    add_demo(store, today=DAY)
    assert {one.name for one in store.buyers()} == {"Yard", *BUYERS}
    assert len(store.book().history(BUYERS[0], "no1")) == 6
    store.write_ticket(LOAD, BUYERS[0], day=DAY, unit=MassUnit.LB)
    remove_demo(store)
    remove_demo(store)
    assert [one.name for one in store.buyers()] == ["Yard"]
    assert store.names() == ("van",)
    assert store.tickets() == ()
    assert store.book().prices == ()


# ---------------------------------------------------------------------- kills

KILLED = 77

KILLER = """
import os, sys, traceback
from pathlib import Path
from sqlalchemy import event
from app.load.store import LoadStore
from app.opening import open_records
from tests.app.load import test_store as here

folder = Path(sys.argv[1])

def work_until(work, left):
    # Dies before write number `left`, counted from 0; the one after the last is the commit.
    def count(connection, cursor, statement, *rest):
        nonlocal left
        if statement.split(maxsplit=1)[0] in ("INSERT", "UPDATE", "DELETE"):
            if left == 0:
                os._exit(here.KILLED)
            left -= 1
    def at_commit(connection):
        if left == 0:
            os._exit(here.KILLED)
    records = open_records(folder)
    event.listen(records._engine, "before_cursor_execute", count)
    event.listen(records._engine, "commit", at_commit)
    getattr(here, work)(LoadStore(records))
    os._exit(0)

for work in sys.argv[2:]:
    before, number, code = here.rows(folder), 0, here.KILLED
    while code == here.KILLED:
        child = os.fork()
        if child == 0:
            try:
                work_until(work, number)
            except BaseException:
                traceback.print_exc()
            finally:
                os._exit(1)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        if code == here.KILLED and here.rows(folder) != before:
            sys.exit(f"{work} killed before write {number}: something was kept")
        number += 1
    if code != 0 or here.rows(folder) == before or number < 5:
        sys.exit(f"{work} ended with {code} after {number}")
"""


def rows(folder: Path) -> list[str]:
    """Every row of every table, as the next program that opens the file finds them."""
    with closing(sqlite3.connect(folder / "records.sqlite3")) as connection:
        return sorted(connection.iterdump())


def move_work(store: LoadStore) -> None:
    store.edit("van", lambda load: moved(load, "a", "twos"))


def settle_work(store: LoadStore) -> None:
    store.settle(f"{DAY}-1", [PaidLine(bin="ones", grade="no2", amount=Decimal("50"))], day=DAY)


def put_work(store: LoadStore) -> None:
    store.put_all(
        buyers=[buyer("Other")],
        prices=[price("4.20", who="Other")],
        loads=[Load(name="second", bins=(Bin(name="A", grade="no1", pieces=(piece("a", "1"),)),))],
    )


def state(folder: Path) -> object:
    with open_records(folder) as records:
        store = LoadStore(records)
        outcomes = [one.outcomes for one in records.pieces()]
        return (
            [store.load(name) for name in store.names()],
            store.tickets(),
            store.buyers(),
            store.book(),
            [[(o.grade, o.paid) for o in told] for told in outcomes],
        )


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills forked processes")
def test_killed_between_any_two_writes_it_is_as_before_or_after(
    folder: Path, tmp_path: Path
) -> None:
    with open_records(folder) as records:
        store = LoadStore(records)
        store.save_buyer(buyer("Yard"))
        store.add_prices([price("4.00"), price("3.00", grade_id="no2")])
        one = recorded(store, "w", "2.0")
        store.edit("van", a_load)
        store.edit("van", lambda load: with_piece(load, "ones", one))
        store.write_ticket("van", "Yard", day=DAY, unit=MassUnit.LB)
    works = ("put_work", "move_work", "settle_work")
    undisturbed = Path(shutil.copytree(folder, tmp_path / "undisturbed"))
    with open_records(undisturbed) as records:
        for work in works:
            globals()[work](LoadStore(records))
    # Each work is begun again and again, killed before its first write, its second, ... and
    # before the commit; after each kill every row must be as before. Then it is let through.
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", KILLER, str(folder), *works],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert state(folder) == state(undisturbed)
