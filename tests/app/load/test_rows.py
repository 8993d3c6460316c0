"""Loads as rows and back: nothing is lost, and what did not change is not written again."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import event, select
from sqlalchemy.orm import Session

from app.load.bins import Bin, Load, Piece
from app.load.rows import find_buyer, find_load, load_of, new_load, write_load
from app.load.store import LoadStore
from app.load.tables import LoadPieceRow
from app.load.units import LoadError, MassUnit
from tests.app.load.loads import DAY, buyer, kg, load, piece
from tests.app.load.test_store import price
from tests.app.load.tickets import a_load

EMPTY = Load(name="van")


def kept(session: Session, after: Load, before: Load = EMPTY) -> Load:
    """Write a load and read it again from its rows."""
    row = find_load(session, "van") or new_load(session, "van")
    write_load(session, row, before, after)
    session.expire_all()
    return load_of(session, row)


def bins_of(names: list[str]) -> tuple[Bin, ...]:
    """Two bins; each piece lies in the one that its name says."""
    pieces = [piece(name, f"{number + 1}.25") for number, name in enumerate(names)]
    return tuple(
        Bin(name=side, grade="no1", pieces=tuple(p for p in pieces if p.id.startswith(side)))
        for side in ("l", "r")
    )


@settings(
    max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(
    st.lists(
        st.lists(st.from_regex(r"[lr][0-9]", fullmatch=True), unique=True, max_size=6),
        min_size=1,
        max_size=4,
    )
)
def test_after_any_changes_the_rows_hold_the_last_load(
    store: LoadStore, steps: list[list[str]]
) -> None:
    """Pieces come, go, change place and bin: what is read is what was written last."""
    with store.records.writing() as session:
        before = load_of(session, find_load(session, "van") or new_load(session, "van"))
        for names in steps:
            after = load(*bins_of(names))
            assert kept(session, after, before) == after
            before = after


@contextmanager
def written(session: Session) -> Iterator[set[str]]:
    """The kinds of rows that are written meanwhile."""
    kinds: set[str] = set()

    def remember(session: Session, *_: object) -> None:
        changed = (one for one in session.dirty if session.is_modified(one))
        for one in (*session.new, *changed, *session.deleted):
            kinds.add(type(one).__name__)

    event.listen(session, "before_flush", remember)
    yield kinds
    event.remove(session, "before_flush", remember)


def test_moving_one_piece_writes_no_other_pieces_row(store: LoadStore) -> None:
    with store.records.writing() as session:
        a, b = bins_of(["l1", "l2", "r1"])
        before = load(a, b)
        kept(session, before)
        rows = {row.code: row.id for row in session.scalars(select(LoadPieceRow))}
        stamps = {row.code: row.body for row in session.scalars(select(LoadPieceRow))}
        after = load(replace(a, pieces=a.pieces[:1]), replace(b, pieces=(*b.pieces, a.pieces[1])))
        assert kept(session, after, before) == after
        assert {row.code: row.id for row in session.scalars(select(LoadPieceRow))} == rows
        assert {row.code: row.body for row in session.scalars(select(LoadPieceRow))} == stamps


def test_a_load_that_did_not_change_writes_only_its_own_row(store: LoadStore) -> None:
    with store.records.writing() as session:
        before = load(*bins_of(["l1", "r1"]))
        kept(session, before)
        with written(session) as kinds:
            kept(session, before, before)
        assert kinds <= {"LoadRow"}, "the moment of its last change"


def test_a_weighed_bin_keeps_its_reading_and_its_zeros(store: LoadStore) -> None:
    with store.records.writing() as session:
        again = kept(session, load(Bin(name="tub", grade="no2", weighed=kg("3.50", 0.05))))
        weighed = again.bins[0].weighed
        assert weighed is not None
        assert (str(weighed.kg), weighed.u_kg) == ("3.50", 0.05)


def test_a_record_that_is_not_there_is_not_pointed_to(store: LoadStore) -> None:
    with store.records.writing() as session:
        gone = replace(piece("a", "1"), record="f" * 32)
        (again,) = kept(session, load(Bin(name="tub", grade="no1", pieces=(gone,)))).pieces
        assert again.record is None
        assert replace(again, record=gone.record) == gone, "all else is kept"


@pytest.mark.parametrize("name", ["two\nlines", "x" * 500, "bell\a"])
def test_odd_names_of_bins_are_refused(store: LoadStore, name: str) -> None:
    with store.records.writing() as session, pytest.raises(LoadError, match="no name for a bin"):
        kept(session, load(Bin(name=name, grade="no1")))


def test_buyers_and_loads_are_found_however_their_name_is_typed(store: LoadStore) -> None:
    store.save_buyer(buyer("Yard"))
    store.edit("van", lambda _: a_load())
    with store.records.reading() as session:
        assert find_buyer(session, " yARD ").name == "Yard"
        found = find_load(session, "VAN")
        assert found is not None and found.name == "van"
        assert find_load(session, "other") is None
        with pytest.raises(LoadError, match="no buyer 'Yards'"):
            find_buyer(session, "Yards")


@pytest.mark.parametrize("name", ["", "  ", "\t\n"])
def test_a_load_without_a_name_is_refused(store: LoadStore, name: str) -> None:
    with store.records.writing() as session, pytest.raises(LoadError, match="needs a name"):
        new_load(session, name)


def test_a_load_made_again_goes_on_counting_behind_its_tickets(store: LoadStore) -> None:
    """A ticket still names p7 of a load that is gone: no other piece is ever called p7."""
    store.save_buyer(buyer("Yard"))
    store.add_prices([price("4.00")])
    numbered = load(Bin(name="ones", grade="no1", pieces=(piece("p7", "2"),)))
    store.edit("van", lambda _: numbered)
    store.write_ticket("van", "Yard", day=DAY, unit=MassUnit.KG, bins=["ones"])
    store.remove("van")
    with store.records.writing() as session:
        assert new_load(session, "Van").given == 7
        assert new_load(session, "other").given == 0


def test_masses_are_kept_exactly_however_fine(store: LoadStore) -> None:
    fine = Decimal("0.123456789")
    one = Piece(id="a", name="a", p={"no1": 1.0}, weight=kg(str(fine)))
    with store.records.writing() as session:
        (again,) = kept(session, load(Bin(name="t", grade="no1", pieces=(one,)))).pieces
        assert again.weight is not None
        assert again.weight.kg == fine
