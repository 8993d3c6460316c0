"""Bins: no sequence of edits loses or makes up a gram."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from app.load.bins import (
    Bin,
    Load,
    Piece,
    masses,
    moved,
    told_weights,
    weighed_bin,
    weighed_piece,
    with_bin,
    with_piece,
    without_bin,
    without_piece,
)
from app.load.units import LoadError
from app.load.weights import Weight, WeightOrigin, of_normal


def scale(kg: str) -> Weight:
    return of_normal(Decimal(kg), 0.01, WeightOrigin.SCALE, "scale")


def guess(kg: str) -> Weight:
    return of_normal(Decimal(kg), 0.1 * float(kg), WeightOrigin.ESTIMATED, "estimate")


def piece(name: str, weight: Weight | None = None, grade: str = "no1") -> Piece:
    return Piece(id=name, name=name, p={grade: 1.0}, weight=weight)


def one_bin(*pieces: Piece, weighed: Weight | None = None) -> Load:
    return Load(name="van", bins=(Bin(name="A", grade="no1", pieces=pieces, weighed=weighed),))


def test_a_bins_weight_is_its_reading_else_the_sum() -> None:
    load = one_bin(piece("a", scale("1.2")), piece("b", scale("0.3")))
    assert load.kg == Decimal("1.5")
    assert weighed_bin(load, "A", scale("1.6")).kg == Decimal("1.6")
    assert one_bin(piece("a", scale("1.2")), piece("b")).bin("A").weight is None
    assert one_bin(piece("a", scale("1")), piece("b", guess("1")), piece("c")).is_estimated
    assert not load.is_estimated
    assert not one_bin(piece("a", guess("1")), weighed=scale("1.1")).is_estimated


def test_a_weighed_bin_is_told_off_by_estimates_to_the_tenth_of_a_gram() -> None:
    # 10 kg over estimates of 1, 1 and 1 kg: 3.3333, 3.3333 and what is left, 3.3334.
    load = one_bin(
        piece("a", guess("1")), piece("b", guess("1")), piece("c", guess("1")), weighed=scale("10")
    )
    told = masses(load.bin("A"))
    assert [str(w.kg) for w in told.values()] == ["3.3333", "3.3333", "3.3334"]
    assert all(w.is_estimated for w in told.values())


def test_a_piece_that_was_weighed_itself_keeps_its_reading() -> None:
    load = one_bin(piece("a", scale("4")), piece("b"), piece("c"), weighed=scale("10"))
    assert [str(w.kg) for w in masses(load.bin("A")).values()] == ["4", "3.0000", "3.0000"]


def test_the_weight_that_is_told_of_a_piece_is_its_own_reading_else_its_share() -> None:
    # The bin's scale shows 0.1 kg more than the pieces' one: both stand as they were read.
    read = one_bin(piece("a", scale("4")), piece("b", scale("5.9")), weighed=scale("10"))
    assert [str(w.kg) for w in told_weights(read.bin("A")).values()] == ["4", "5.9"]
    # 10 kg, 4 of them read: the guess of 3 and the unknown, taken for as heavy, share 6.
    mixed = one_bin(piece("a", scale("4")), piece("b", guess("3")), piece("c"), weighed=scale("10"))
    assert [str(w.kg) for w in told_weights(mixed.bin("A")).values()] == ["4", "3.0000", "3.0000"]
    loose = one_bin(piece("a", guess("2")), piece("b"))
    assert [*told_weights(loose.bin("A"))] == ["a"]


def test_moving_out_of_a_weighed_bin_takes_the_share_along() -> None:
    load = with_bin(
        one_bin(piece("a", guess("1")), piece("b", guess("3")), weighed=scale("10")),
        Bin(name="B", grade="no2"),
    )
    after = moved(load, "a", "B")
    assert after.bin("A").weight is not None
    assert (after.bin("A").weight or scale("0")).kg == Decimal("7.5")
    assert after.piece("a").weight is not None
    assert after.kg == load.kg == Decimal(10)


def test_an_unweighed_piece_can_not_join_a_weighed_bin() -> None:
    load = one_bin(piece("a", scale("1")), weighed=scale("1"))
    with pytest.raises(LoadError):
        with_piece(load, "A", piece("b"))


def test_names_stand_once() -> None:
    load = one_bin(piece("a", scale("1")))
    with pytest.raises(LoadError):
        with_piece(load, "A", piece("a", scale("1")))
    with pytest.raises(LoadError):
        with_bin(load, Bin(name="A", grade="no2"))
    with pytest.raises(LoadError):
        load.bin("Z")
    with pytest.raises(LoadError):
        without_piece(load, "zzz")


def test_chances_must_add_up() -> None:
    with pytest.raises(LoadError):
        Piece(id="a", name="a", p={"no1": 0.5, "no2": 0.4})


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.one_of(st.none(), st.decimals("0.0001", 50, places=4)), min_size=1, max_size=8),
    st.decimals(0, 300, places=5),
    st.lists(st.booleans(), min_size=8, max_size=8),
)
def test_told_off_masses_add_up_to_the_reading_exactly(
    kilograms: list[Decimal | None], reading: Decimal, scaled: list[bool]
) -> None:
    pieces = [
        piece(f"p{i}", None if kg is None else (scale if scaled[i] else guess)(str(kg)))
        for i, kg in enumerate(kilograms)
    ]
    told = masses(Bin(name="A", grade="no1", pieces=tuple(pieces), weighed=scale(str(reading))))
    assert sum((w.kg for w in told.values()), Decimal(0)) == reading
    assert all(w.kg >= 0 for w in told.values())


class Editing(RuleBasedStateMachine):
    """Any edits in any order; beside them a plain count of what came in and went out."""

    def __init__(self) -> None:
        super().__init__()
        self.load = Load(name="van", bins=(Bin(name="A", grade="no1"), Bin(name="B", grade="no2")))
        self.came_in = Decimal(0)
        self.number = 0

    @rule(kg=st.decimals("0.001", 40, places=3), to=st.sampled_from("AB"), read=st.booleans())
    def put_in(self, kg: Decimal, to: str, read: bool) -> None:
        self.number += 1
        new = piece(f"p{self.number}", (scale if read else guess)(str(kg)))
        self.load = with_piece(self.load, to, new)
        self.came_in += kg

    @precondition(lambda self: self.load.pieces)
    @rule(data=st.data(), to=st.sampled_from("AB"))
    def move(self, data: st.DataObject, to: str) -> None:
        chosen = data.draw(st.sampled_from([p.id for p in self.load.pieces]))
        self.load = moved(self.load, chosen, to)

    @precondition(lambda self: self.load.pieces)
    @rule(data=st.data())
    def take_out(self, data: st.DataObject) -> None:
        chosen = data.draw(st.sampled_from([p.id for p in self.load.pieces]))
        self.load, gone = without_piece(self.load, chosen)
        assert gone.weight is not None
        self.came_in -= gone.weight.kg

    @rule(name=st.sampled_from("AB"), kg=st.decimals(0, 200, places=2))
    def weigh(self, name: str, kg: Decimal) -> None:
        if not self.load.bin(name).pieces:
            return
        before = self.load.kg
        self.load = weighed_bin(self.load, name, scale(str(kg)))
        self.came_in += self.load.kg - before

    @precondition(lambda self: self.load.pieces)
    @rule(data=st.data(), kg=st.decimals("0.001", 40, places=3))
    def weigh_piece(self, data: st.DataObject, kg: Decimal) -> None:
        chosen = data.draw(st.sampled_from([p.id for p in self.load.pieces]))
        before = self.load.kg
        self.load = weighed_piece(self.load, chosen, scale(str(kg)))
        self.came_in += self.load.kg - before

    @invariant()
    def nothing_is_lost_or_made_up(self) -> None:
        assert self.load.kg == self.came_in

    @invariant()
    def each_bins_pieces_add_up_to_the_bin(self) -> None:
        for b in self.load.bins:
            assert b.is_empty == (b.weight is None)
            if b.pieces:
                whole = b.weight
                assert whole is not None
                assert sum((w.kg for w in masses(b).values()), Decimal(0)) == whole.kg


TestEditing = Editing.TestCase
TestEditing.settings = settings(max_examples=40, stateful_step_count=15, deadline=None)


def test_selling_a_bin_leaves_the_others() -> None:
    load = with_bin(one_bin(piece("a", scale("1"))), Bin(name="B", grade="no2"))
    load = with_piece(load, "B", piece("b", scale("2")))
    assert without_bin(load, "A").kg == Decimal(2)
