"""Tickets on the page and in a table: every figure adds up."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest

from app.load.settling import settle
from app.load.ticket import PaidLine, next_code, write_ticket
from app.load.ticket_csv import COLUMNS, write_ticket_csv
from app.load.ticket_pdf import write_ticket_pdf
from app.load.units import LoadError, MassUnit
from tests.app.load.loads import DAY, buyer, load, terms
from tests.app.load.tickets import PRICES, a_ticket


def test_a_ticket_says_what_the_offer_says_and_adds_up() -> None:
    # 10 kg at 8.00 and 3 kg at 6.00: 80 + 18; with 0.25 of a downgrade 75 + 18.
    ticket = a_ticket()
    assert [str(line.amount) for line in ticket.lines] == ["80.00", "18.00"]
    assert ticket.labelled == Decimal("98.00")
    assert ticket.expected == Decimal("93.00") == sum(line.expected for line in ticket.lines)
    assert [piece.id for _, piece in ticket.questioned] == ["b"]
    assert ticket.questioned[0][1].p_wrong == pytest.approx(0.25)


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
