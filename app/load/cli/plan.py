"""``load plan``: who should get it, what to pull, what is worth a minute."""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from app.load.cli.parts import (
    Subparsers,
    add_command,
    day_of,
    filled,
    opened,
    photos_of,
    show,
    unit_of,
)
from rules.errors import CuproscopeError

if TYPE_CHECKING:
    from decimal import Decimal

    from app.load.planning import Plan
    from app.load.store import LoadStore
    from app.load.terms import Terms
    from app.load.units import MassUnit


def add_commands(of: Subparsers) -> None:
    """Add the plan's command."""
    plan = add_command(
        of, "plan", "say who should get it, what to pull, what is worth a minute", _plan
    )
    plan.add_argument("--buyer", metavar="BUYER", help="pulls and jobs for them (default: best)")
    plan.add_argument("--minutes", type=float, default=60.0, metavar="N", help="time there is (60)")
    plan.add_argument(
        "--hourly", type=float, default=0.0, metavar="AMOUNT", help="what your hour is worth"
    )
    plan.add_argument(
        "--recovery",
        type=float,
        default=None,
        metavar="SHARE",
        help="copper share of insulated wire",
    )
    plan.add_argument(
        "--weekly",
        action="append",
        default=[],
        metavar="GRADE=MASS",
        help="what comes in each week, for going now or waiting",
    )
    plan.add_argument(
        "--chart", type=Path, metavar="FILE.pdf|.svg", help="draw the break-even chart"
    )
    plan.add_argument("--cuts", type=Path, metavar="FILE.pdf", help="write the cut list to print")


def _plan(arguments: argparse.Namespace) -> int:
    from app.load.json_out import plan_object
    from app.load.planning import plan_load
    from app.load.report import plan_text
    from app.load.units import LoadError, mass_from
    from app.load.worth import RECOVERY

    unit = unit_of(arguments)
    weekly: dict[str, Decimal] = {}
    for text in arguments.weekly:
        grade, equals, mass = text.partition("=")
        if not equals:
            raise LoadError(f"{text!r} is not GRADE=MASS", where="weekly")
        weekly[grade] = mass_from(mass, unit=unit)
    if arguments.chart is not None and arguments.chart.suffix not in (".pdf", ".svg"):
        raise LoadError("a chart is written as .pdf or .svg", where=str(arguments.chart))
    with opened(arguments) as store:
        buyer = None if arguments.buyer is None else store.buyer(arguments.buyer).name
        plan = plan_load(
            filled(store, arguments),
            _terms(store, day_of(arguments), currency_of=buyer),
            buyer=buyer,
            minutes=arguments.minutes,
            hourly=arguments.hourly,
            recovery=RECOVERY if arguments.recovery is None else arguments.recovery,
            kg_a_week=weekly or None,
        )
        if arguments.cuts is not None:
            _cuts(arguments.cuts, plan, unit, store)
    if arguments.chart is not None:
        _chart(arguments.chart, plan, unit)
    return show(arguments, lambda: plan_text(plan, unit=unit), lambda: plan_object(plan, unit=unit))


def _cuts(path: Path, plan: Plan, unit: MassUnit, store: LoadStore) -> None:
    from app.load.cuts_pdf import write_cut_list

    try:
        write_cut_list(path, plan, unit=unit, photo_of=photos_of(store))
    except OSError as fault:
        raise CuproscopeError(f"can't be written: {fault}", where=str(path)) from fault


def _chart(path: Path, plan: Plan, unit: MassUnit) -> None:
    from app.load.break_even_chart import write_break_even_chart
    from app.load.units import LoadError

    if not plan.evening.hourly:
        raise LoadError("a break-even needs your hour's worth (--hourly)", where="chart")
    try:
        write_break_even_chart(
            path,
            [(kind.words, curve) for kind, curve in plan.kinds],
            unit=unit,
            currency=plan.terms.buyer.currency,
            hourly=plan.evening.hourly,
        )
    except OSError as fault:
        raise CuproscopeError(f"can't be written: {fault}", where=str(path)) from fault


def _terms(store: LoadStore, today: date, *, currency_of: str | None) -> list[Terms]:
    """Return the buyers to compare: those of one buyer's currency where one is named."""
    from app.load.terms import terms_of

    buyers, book = store.buyers(), store.book()
    if currency_of is not None:
        currency = next(one.currency for one in buyers if one.name == currency_of)
        buyers = tuple(one for one in buyers if one.currency == currency)
    return [terms_of(buyer, book, on=today) for buyer in buyers]
