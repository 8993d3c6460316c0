"""The evening's jobs on paper, read back by PDFium, against the plan and sums by hand."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pypdfium2
import pytest

from app.load.cuts_pdf import write_cut_list
from app.load.demo import demo_buyers, demo_load, demo_prices
from app.load.planning import Plan, plan_load
from app.load.prices import PriceBook
from app.load.terms import terms_of
from app.load.units import KG_PER_LB, MassUnit
from tests.app.load.loads import DAY
from tests.app.load.test_paper import words_of


@cache
def a_plan() -> Plan:
    book = PriceBook(prices=demo_prices(DAY))
    return plan_load(demo_load(), [terms_of(one, book, on=DAY) for one in demo_buyers()], hourly=20)


def words_on(path: Path, plan: Plan, unit: MassUnit = MassUnit.LB) -> str:
    write_cut_list(path, plan, unit=unit)
    return " ".join(words_of(path).split())


def test_the_cut_list_holds_the_jobs_and_what_can_hurt(tmp_path: Path) -> None:
    plan = a_plan()
    path = tmp_path / "cuts.pdf"
    write_cut_list(path, plan, unit=MassUnit.LB, photo_of=lambda *_: None, paper="letter")
    page = pypdfium2.PdfDocument(path)[0]
    words = page.get_textpage().get_text_range()
    for worth in plan.evening.chosen:
        assert worth.job.name in words
    assert "Never burn off" in words
    assert "Old solder may hold lead" in words
    assert page.get_size() == pytest.approx((612, 792))


def test_each_job_says_its_mass_its_money_and_its_hour(tmp_path: Path) -> None:
    plan = a_plan()
    words = words_on(tmp_path / "c.pdf", plan)
    assert plan.evening.chosen
    for number, worth in enumerate(plan.evening.chosen, start=1):
        mass = worth.job.kg / float(KG_PER_LB)
        assert f"[ ] {number}. {worth.job.name}, {mass:.2f} lb" in words
        # What an hour brings is the gain over the hours that it takes.
        hourly = worth.gain / (worth.job.minutes / 60)
        assert (
            f"{worth.gain:+,.2f} in about {worth.job.minutes:.3g} min, USD {hourly:,.0f}" in words
        )


def test_the_head_is_the_sum_of_its_jobs(tmp_path: Path) -> None:
    plan = a_plan()
    gain = sum(worth.gain for worth in plan.evening.chosen)
    minutes = sum(worth.job.minutes for worth in plan.evening.chosen)
    words = words_on(tmp_path / "c.pdf", plan)
    assert f"{minutes:.0f} of {plan.evening.limit_minutes:.0f} min" in words
    assert f"{plan.terms.buyer.currency} {gain:,.2f}" in words


def test_the_parts_of_a_piece_add_up_to_the_piece(tmp_path: Path) -> None:
    for worth in a_plan().evening.chosen:
        parts = worth.job.becomes
        assert parts.rises + parts.stays + parts.brass + parts.waste == pytest.approx(1.0)


def test_cautions_stand_before_the_work(tmp_path: Path) -> None:
    words = words_on(tmp_path / "c.pdf", a_plan())
    assert words.index("Never burn off") < words.index("[ ] 1.")


def test_an_evening_without_a_job_that_pays_says_so(tmp_path: Path) -> None:
    plan = a_plan()
    none = replace(plan, evening=replace(plan.evening, chosen=(), gain=0.0, minutes=0.0))
    words = words_on(tmp_path / "c.pdf", none)
    assert f"No job pays {plan.terms.buyer.currency} 20 an hour" in words
    assert "[ ]" not in words


def test_kilograms_are_told_where_the_person_weighs_in_them(tmp_path: Path) -> None:
    plan = a_plan()
    first = plan.evening.chosen[0].job
    assert f"{first.name}, {first.kg:.2f} kg" in words_on(tmp_path / "c.pdf", plan, MassUnit.KG)
