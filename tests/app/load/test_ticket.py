"""Tickets and settlements: every cent accounted for, and what a buyer's word teaches."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.load.bins import Bin, Load, Piece, with_piece
from app.load.ticket import (
    PaidLine,
    Ticket,
    dealt_out,
    differences,
    next_code,
    outcomes,
    settle,
    without_sold,
    write_ticket,
)
from app.load.ticket_csv import COLUMNS, write_ticket_csv
from app.load.ticket_pdf import write_ticket_pdf
from app.load.units import LoadError, MassUnit
from tests.app.load.loads import DAY, buyer, kg, load, piece, terms

PRICES = {"bare_bright": "9.00", "no1": "8.00", "no2": "6.00", "set_aside": "1.00"}
RANK = {"bare_bright": 0, "no1": 1, "no2": 2, "set_aside": 3}


def recorded(name: str, amount: str, **p: float) -> Piece:
    return replace(piece(name, amount, **p), record=f"r{name}")


def a_load() -> Load:
    return load(
        Bin(
            name="ones",
            grade="no1",
            pieces=(recorded("a", "6"), recorded("b", "4", no1=0.75, no2=0.25)),
        ),
        Bin(name="twos", grade="no2", weighed=kg("3", 0.05)),
    )


def a_ticket(**said: object) -> Ticket:
    ticket, _ = write_ticket(
        terms(buyer(travel=Decimal(5), **said), PRICES),  # type: ignore[arg-type]
        a_load(),
        code="t1",
        unit=MassUnit.LB,
        sheet_hash="ab" * 32,
    )
    return ticket


def test_a_ticket_says_what_the_offer_says_and_adds_up() -> None:
    # 10 kg at 8.00 and 3 kg at 6.00: 80 + 18; with 0.25 of a downgrade 75 + 18.
    ticket = a_ticket()
    assert [str(line.amount) for line in ticket.lines] == ["80.00", "18.00"]
    assert ticket.labelled == Decimal("98.00")
    assert ticket.expected == Decimal("93.00") == sum(line.expected for line in ticket.lines)
    assert [piece.id for _, piece in ticket.questioned] == ["b"]
    assert ticket.questioned[0][1].p_wrong == pytest.approx(0.25)


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
    assert rest.kg == later.kg - ticket.kg


def test_ticket_codes_count_up_within_a_day() -> None:
    assert next_code(date(2026, 3, 20), []) == "2026-03-20-1"
    assert next_code(date(2026, 3, 20), ["2026-03-20-1", "2026-03-19-2"]) == "2026-03-20-2"


def test_nothing_to_sell_or_too_little_is_refused() -> None:
    with pytest.raises(LoadError, match="nothing"):
        write_ticket(terms(buyer(), PRICES), load(), code="t", unit=MassUnit.KG, sheet_hash="")
    with pytest.raises(LoadError, match="no less than"):
        a_ticket(least_kg=Decimal(100))


def test_the_table_adds_up_and_runs_no_formula(tmp_path: Path) -> None:
    ticket = a_ticket()
    first = replace(ticket.lines[0], bin='=HYPERLINK("x")')
    path = tmp_path / "t.csv"
    write_ticket_csv(path, replace(ticket, lines=(first, *ticket.lines[1:])))
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == COLUMNS
    assert sum(Decimal(row["amount"]) for row in rows) == ticket.labelled
    assert rows[0]["bin"] == '\'=HYPERLINK("x")'


def test_the_page_shows_every_figure_and_survives_odd_names(tmp_path: Path) -> None:
    import pypdfium2

    ticket = settle(a_ticket(), [PaidLine(bin="ones", grade="no2", amount=Decimal(60))], day=DAY)
    odd = replace(ticket.lines[0].pieces[1], name="<b>& 𓂀 é", photo="f" * 64, settle="look")
    lines = (replace(ticket.lines[0], pieces=(odd,)), *ticket.lines[1:])
    path = tmp_path / "t.pdf"
    picture = _jpeg()
    write_ticket_pdf(path, replace(ticket, lines=lines), photo_of=lambda *_: picture)
    page = pypdfium2.PdfDocument(path)
    text = "".join(page[i].get_textpage().get_text_range() for i in range(len(page)))
    for shown in ("t1", "22.05", "80.00", "98.00", "93.00", "-20.00", "<b>& ? é", "abababababab"):
        assert shown in text
    objects = [one.type for i in range(len(page)) for one in page[i].get_objects()]
    assert pypdfium2.raw.FPDF_PAGEOBJ_IMAGE in objects
    # The same ticket gives the same file: a page that was printed can be found again.
    again = tmp_path / "again.pdf"
    write_ticket_pdf(again, replace(ticket, lines=lines), photo_of=lambda *_: picture)
    assert path.read_bytes() == again.read_bytes()


def test_the_cut_list_holds_the_jobs_and_what_can_hurt(tmp_path: Path) -> None:
    import pypdfium2

    from app.load.cuts_pdf import write_cut_list
    from app.load.demo import demo_buyers, demo_load, demo_prices
    from app.load.planning import plan_load
    from app.load.prices import PriceBook
    from app.load.terms import terms_of

    book = PriceBook(prices=demo_prices(DAY))
    told = [terms_of(one, book, on=DAY) for one in demo_buyers()]
    plan = plan_load(demo_load(), told, hourly=20)
    path = tmp_path / "cuts.pdf"
    write_cut_list(path, plan, unit=MassUnit.LB, photo_of=lambda *_: None, paper="letter")
    page = pypdfium2.PdfDocument(path)[0]
    words = page.get_textpage().get_text_range()
    for worth in plan.evening.chosen:
        assert worth.job.name in words
    assert "Never burn off" in words
    assert "Old solder may hold lead" in words
    assert page.get_size() == pytest.approx((612, 792))


def _jpeg() -> bytes:
    import io

    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (60, 40), (176, 142, 108)).save(out, "JPEG")
    return out.getvalue()
