"""The load's page without a browser: bins, plan, buyers, tickets, and the invented load."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from app.load.bins import Piece, weighed_piece
from app.load.demo import LOAD, WEIR
from app.load.sorting import put_in
from app.load.store import LoadStore
from app.load.units import MassUnit, mass_words
from app.load.weights import WeightOrigin, of_normal
from app.web import store
from app.web.load import page as load_page
from tests.app.web.test_pages import words


def _page() -> None:
    from app.web.load.page import show

    show()


@pytest.fixture
def page(own_data: Path) -> Iterator[AppTest]:
    store._opened.clear()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the harness's own, as in test_pages.py
        at = AppTest.from_function(_page, default_timeout=60).run()
        assert not at.exception
        yield at
    store._opened().close()
    store._opened.clear()


def press(at: AppTest, label: str) -> AppTest:
    button = next(one for one in at.button if one.label == label)
    at = button.click().run()
    assert not at.exception
    return at


def look_at(at: AppTest, part: str) -> AppTest:
    at.button_group(key="load-part").set_value(part).run()
    assert not at.exception
    return at


def loads() -> LoadStore:
    return LoadStore(store._opened())


def test_a_newcomer_is_told_what_this_is_and_offered_an_invented_load(page: AppTest) -> None:
    assert "what each buyer pays" in words(page)
    at = press(page, "Look at an invented load")
    assert "blue tub" in words(at)
    assert loads().names() == (LOAD,)
    at = press(at, "Take the invented load out")
    assert loads().names() == ()
    assert not at.exception


def test_the_plan_tells_buyers_pulls_jobs_and_cautions(page: AppTest) -> None:
    at = look_at(press(page, "Look at an invented load"), "Plan")
    told = words(at)
    for part in (WEIR.split(" (")[0], "after travel", "bath feed", "Worth the time",
                 "Never burn off insulation", "days old"):  # fmt: skip
        assert part in told
    at = press(at, "I pulled them")
    kept = loads().load(LOAD)
    assert {piece.id for piece in kept.bin("blue tub").pieces} == {"p1", "p2", "p5"}
    assert kept.bin_of("p3").name == "old crate"


def test_what_another_line_buys_is_called_that_in_its_bin(page: AppTest) -> None:
    at = press(page, "Look at an invented load")
    told = words(at).replace("\N{NO-BREAK SPACE}", " ")
    assert "Insulated, 99 % · " in told
    assert "Set aside" not in told


def test_a_new_buyers_figures_are_told_as_people_write_them(page: AppTest) -> None:
    at = look_at(press(page, "Begin my load"), "Buyers")
    told = {one.label: one.value for one in at.text_input}
    assert told["Buys from this weight on, lb"] == "0"
    assert told["Taken off the weight for dirt, %"] == "0"
    (sheet,) = (one for one in at.radio if one.label == "Graded by which rules?")
    assert any(option.startswith("House sheet") for option in sheet.options)


def test_a_lot_is_weighed_in_and_sold(page: AppTest) -> None:
    at = press(page, "Begin my load")
    next(one for one in at.text_input if one.label == "What is it?").set_value("cellar tube")
    next(one for one in at.selectbox if one.label == "Grade, as you say").set_value("no1")
    next(one for one in at.text_input if one.label == "Weight, lb").set_value("12.5")
    at = press(at, "Put in")
    assert "cellar tube" in words(at)
    assert loads().load("load").kg == Decimal("12.5") * Decimal("0.45359237")
    at = look_at(at, "Buyers")
    next(one for one in at.text_input if one.label == "Name").set_value("Yard")
    at = press(at, "Keep")
    at.text_input(key="price-Yard-no1").set_value("3.74")
    at = press(at, "Write down, from today")
    (price,) = loads().book().prices
    assert (price.amount, price.day) == (Decimal("3.74"), date.today())
    at = look_at(at, "Tickets")
    at = press(at, "Write the ticket")
    (ticket,) = loads().tickets()
    # 12.5 lb at 3.74 is 46.75.
    assert ticket.labelled == Decimal("46.75")
    next(one for one in at.text_input if one.label == "Paid, USD").set_value("40.00")
    at = press(at, "Keep; these bins are sold")
    assert "-6.75 against the ticket" in words(at)
    assert loads().load("load").bins == ()


def test_page_and_ticket_tell_the_same_weights(page: AppTest) -> None:
    at = press(page, "Look at an invented load")
    told = words(at).replace("\N{NO-BREAK SPACE}", " ")
    at = look_at(at, "Tickets")
    at = press(at, "Write the ticket")
    (ticket,) = loads().tickets()
    assert [one.value for one in at.metric] == []
    assert f"· {ticket.mass:f} lb · expected" in words(at)
    pieces = [piece for line in ticket.lines for piece in line.pieces]
    assert len(pieces) == 14
    for piece in pieces:
        assert f" · {mass_words(piece.kg, MassUnit.LB)}" in told, piece.name
    at = look_at(at, "Bins")
    assert [one.value for one in at.metric] == [f"{ticket.mass:f} lb"]
    at = look_at(at, "Plan")
    assert f" pays {ticket.expected:,f} " in words(at)


def test_what_nobody_weighed_is_not_told_as_nothing(page: AppTest) -> None:
    at = press(page, "Begin my load")
    both = [Piece(id=name, name=name, p={"no1": 1.0}) for name in "ab"]
    loads().edit("load", lambda now: put_in(put_in(now, both[0]), both[1]))
    at = at.run()
    assert [one.value for one in at.metric] == ["no weight yet"]
    loads().edit(
        "load", lambda now: weighed_piece(now, "a", of_normal(Decimal(2), 0.01, WeightOrigin.SCALE))
    )
    at = at.run()
    assert [one.value for one in at.metric] == ["4.41 lb"]
    assert "Without 1 piece that has no weight yet." in [one.value for one in at.caption]


def test_what_can_not_be_is_told_in_place(page: AppTest) -> None:
    at = press(page, "Begin my load")
    next(one for one in at.text_input if one.label == "Weight, lb").set_value("a lot")
    at = press(at, "Put in")
    assert any("is no number" in one.value for one in at.error)
    assert loads().load("load").bins == ()


def test_names_are_never_markup(page: AppTest) -> None:
    at = press(page, "Begin my load")
    next(one for one in at.text_input if one.label == "What is it?").set_value("![x](y) **z**")
    next(one for one in at.text_input if one.label == "Weight, lb").set_value("1")
    at = press(at, "Put in")
    (shown,) = [one.value for one in at.markdown if "z" in one.value and "100" not in one.value][:1]
    assert "\\!\\[x\\]\\(y\\) \\*\\*z\\*\\*" in shown


def test_the_parts_of_the_page_are_the_ones_there_are() -> None:
    assert load_page.PARTS == ("Bins", "Plan", "Buyers", "Tickets")


def test_a_ticket_is_offered_to_the_best_buyer_first(page: AppTest) -> None:
    at = look_at(press(page, "Look at an invented load"), "Tickets")
    to = next(one for one in at.selectbox if one.label == "To")
    assert to.value == WEIR  # the best of the plan, and the last by name
    assert len(to.options) == 3


@pytest.mark.parametrize("sheet", ["circular-2017", "circular-before-2017"])
def test_a_buyer_who_follows_another_sheet_now_keeps_the_prices_of_before(
    page: AppTest, sheet: str
) -> None:
    at = press(page, "Look at an invented load")
    buyer = loads().buyer(WEIR)
    loads().save_buyer(replace(buyer, sheet=sheet, limits={}))
    for part in ("Buyers", "Plan", "Tickets"):
        at = look_at(at, part)
    at = press(at, "Write the ticket")
    assert not at.exception
