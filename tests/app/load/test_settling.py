"""Settlements: every cent accounted for, and what a buyer's word teaches."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.load.bins import with_piece
from app.load.settling import dealt_out, differences, outcomes, settle, without_sold
from app.load.ticket import PaidLine
from app.load.units import LoadError
from tests.app.load.loads import DAY, piece
from tests.app.load.tickets import a_load, a_ticket

RANK = {"bare_bright": 0, "no1": 1, "no2": 2, "set_aside": 3}


def test_what_was_paid_differs_by_grade_and_together() -> None:
    # The ones were paid as No. 2: 60.00 where the ticket says 80.00.
    settled = settle(a_ticket(), [PaidLine(bin="ones", grade="no2", amount=Decimal("60"))], day=DAY)
    assert settled.settled is not None
    assert settled.settled.paid == Decimal("78.00")
    by_grade = {one.grade: one.difference for one in differences(settled)}
    assert by_grade == {"no1": Decimal("-20.00"), "no2": Decimal("0.00")}
    assert sum(by_grade.values()) == settled.settled.paid - settled.labelled


def test_settling_refuses_what_can_not_be() -> None:
    ticket = a_ticket()
    good = PaidLine(bin="ones", grade="no1", amount=Decimal(80))
    for lines in (
        [replace(good, bin="nowhere")],
        [good, good],
        [replace(good, blamed=("zz",))],
    ):
        with pytest.raises(LoadError):
            settle(ticket, lines, day=DAY)
    for amount in ("-1", "NaN", "Infinity", "1e-400", "1e400"):
        with pytest.raises(LoadError):
            replace(good, amount=Decimal(amount))
    with pytest.raises(LoadError, match="already"):
        settle(settle(ticket, [], day=DAY), [], day=DAY)
    with pytest.raises(LoadError):
        differences(ticket)


def test_a_bin_that_held_says_each_piece_passed() -> None:
    settled = settle(a_ticket(), [], day=DAY)
    told = outcomes(settled, rank=RANK)
    assert [(one.record, one.grade) for one in told] == [("ra", "no1"), ("rb", "no1")]
    # 80.00 by 6 and 4 kg.
    assert [one.paid for one in told] == [Decimal("48.00"), Decimal("32.00")]


def test_a_downgraded_bin_says_nothing_of_a_piece_unless_one_was_blamed() -> None:
    paid = PaidLine(bin="ones", grade="no2", amount=Decimal(60))
    told = outcomes(settle(a_ticket(), [paid], day=DAY), rank=RANK)
    assert [one.grade for one in told] == [None, None]
    blamed = outcomes(settle(a_ticket(), [replace(paid, blamed=("b",))], day=DAY), rank=RANK)
    assert [one.grade for one in blamed] == ["no1", "no2"]


@given(
    st.decimals(0, 100_000, places=2),
    st.lists(st.decimals(0, 500, places=4), min_size=1, max_size=12),
)
def test_dealt_out_money_adds_up_to_the_cent(amount: Decimal, weights: list[Decimal]) -> None:
    shares = dealt_out(amount, weights, "USD")
    assert sum(shares) == amount
    assert all(share >= 0 for share in shares)
    whole = sum(weights)
    for share, weight in zip(shares, weights, strict=True):
        exact = amount * weight / whole if whole else amount / len(weights)
        assert abs(share - exact) < Decimal("0.01")


def test_three_equal_pieces_of_a_dollar() -> None:
    assert dealt_out(Decimal("1.00"), [Decimal(1)] * 3, "USD") == (
        Decimal("0.34"),
        Decimal("0.33"),
        Decimal("0.33"),
    )
    assert [*map(int, dealt_out(Decimal(10), [Decimal(1)] * 3, "JPY"))] == [4, 3, 3]


def test_what_came_after_the_ticket_stays_in_the_load() -> None:
    ticket = a_ticket()
    assert without_sold(a_load(), ticket).bins == ()
    later = with_piece(a_load(), "ones", piece("c", "1"))
    later = with_piece(later, "twos", piece("d", "0.5"))
    rest = without_sold(later, ticket)
    assert [(b.name, [one.id for one in b.pieces]) for b in rest.bins] == [
        ("ones", ["c"]),
        ("twos", ["d"]),
    ]
    assert rest.kg == later.kg - sum(line.kg for line in ticket.lines)
