"""The ticket on paper, read back by PDFium: every figure that the ticket has, and sums by hand."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pypdfium2

from app.load.demo import demo_buyers, demo_load, demo_prices
from app.load.prices import PriceBook
from app.load.settling import settle
from app.load.terms import terms_of
from app.load.ticket import PaidLine, Ticket, write_ticket
from app.load.ticket_pdf import write_ticket_pdf
from app.load.units import MassUnit
from rules.cautions import SELLING
from tests.app.load.loads import DAY
from tests.app.load.test_paper import jpeg, words_of
from tests.app.load.tickets import a_ticket


def words_on(path: Path, ticket: Ticket) -> str:
    """All words, each run of white space one space: PDF breaks lines where it likes."""
    write_ticket_pdf(path, ticket)
    return " ".join(words_of(path).split())


def test_the_page_shows_every_figure_and_survives_odd_names(tmp_path: Path) -> None:
    ticket = settle(a_ticket(), [PaidLine(bin="ones", grade="no2", amount=Decimal(60))], day=DAY)
    odd = replace(ticket.lines[0].pieces[1], name="<b>& 𓂀 é", photo="f" * 64, settle="look")
    lines = (replace(ticket.lines[0], pieces=(odd,)), *ticket.lines[1:])
    path = tmp_path / "t.pdf"
    picture = jpeg((60, 40))
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


def test_the_table_adds_up_on_the_page_too(tmp_path: Path) -> None:
    # 10 kg at 8.00 and 3 kg at 6.00; together 13 kg, 28.66 lb of 0.45359237 kg.
    words = words_on(tmp_path / "t.pdf", a_ticket())
    assert "Together 28.66 98.00 93.00" in words
    assert "25 %" in words and "0 %" in words
    assert "USD 98.00" in words and "USD 93.00" in words


def test_the_invented_loads_ticket_is_one_page(tmp_path: Path) -> None:
    told = terms_of(demo_buyers()[0], PriceBook(prices=demo_prices(DAY)), on=DAY)
    ticket, _ = write_ticket(told, demo_load(), code="t1", unit=MassUnit.LB, sheet_hash="ab" * 32)
    path = tmp_path / "t.pdf"
    assert "outer diameter 15.00 mm (14.94 to 15.06)" in words_on(path, ticket)
    assert len(ticket.questioned) == 6
    assert len(pypdfium2.PdfDocument(path)) == 1


def test_masses_add_up_as_they_are_told_and_halves_go_up(tmp_path: Path) -> None:
    first, second = a_ticket().lines
    lines = (replace(first, kg=Decimal("0.125")), replace(second, kg=Decimal("0.125")))
    ticket = replace(a_ticket(), lines=lines, unit=MassUnit.KG)
    words = words_on(tmp_path / "t.pdf", ticket)
    assert words.count("0.13") == 2 and "Together 0.26" in words


def test_what_may_be_questioned_says_so_with_its_chance(tmp_path: Path) -> None:
    words = words_on(tmp_path / "t.pdf", a_ticket())
    assert "25 % likely worse; 8.82 lb" in words  # 4 kg
    sure = replace(a_ticket().lines[0], pieces=())
    words = words_on(tmp_path / "u.pdf", replace(a_ticket(), lines=(sure,)))
    assert "No listed piece is likelier than 5 %" in words
    assert "not listed" in words, "nobody looked at its pieces"


def test_an_estimate_is_marked_with_its_95_percent(tmp_path: Path) -> None:
    # u of 0.1 kg is 0.22 lb; 1.96 of it are 0.43.
    line = replace(a_ticket().lines[1], estimated=True, u_kg=0.1)
    words = words_on(tmp_path / "t.pdf", replace(a_ticket(), lines=(a_ticket().lines[0], line)))
    assert "est. 6.61" in words and "± 0.43" in words
    assert "not weighed" in words
    assert "est." not in words_on(tmp_path / "u.pdf", a_ticket())


def test_a_deduction_is_told_where_there_is_one(tmp_path: Path) -> None:
    told = words_on(tmp_path / "t.pdf", a_ticket(deduction=Decimal("0.025")))
    assert "takes 2.5 % off the weight" in told
    assert "off the weight" not in words_on(tmp_path / "u.pdf", a_ticket())


def test_once_paid_the_differences_add_up_to_the_whole(tmp_path: Path) -> None:
    paid = settle(
        a_ticket(),
        [PaidLine(bin="ones", grade="no2", amount=Decimal("60.50"))],
        day=DAY,
        note="wet pieces",
    )
    words = words_on(tmp_path / "t.pdf", paid)
    assert "Paid on 2026-03-20" in words and "wet pieces" in words
    assert "-19.50" in words and "+0.00" in words
    assert "Together 98.00 93.00 78.50 -19.50" in words


def test_the_rules_on_selling_stand_below(tmp_path: Path) -> None:
    assert " ".join(SELLING.split()) in words_on(tmp_path / "t.pdf", a_ticket())
