"""The command line of loads: ``cuproscope load add|bin|weigh|move|...``.

Thin: it reads what was typed, calls the store and the plain arithmetic, and prints, as
text or with ``--json`` as one object. What takes long to import is imported when needed.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rules.errors import CuproscopeError

if TYPE_CHECKING:
    from decimal import Decimal

    from app.load.bins import Load, Piece
    from app.load.buyers import Buyer, OwnLimit
    from app.load.planning import Plan
    from app.load.prices import PriceBook
    from app.load.store import LoadStore
    from app.load.terms import Terms
    from app.load.ticket import PaidLine, Ticket
    from app.load.units import MassUnit

EXIT_OK = 0
EXIT_UNREADABLE = 3
"""As for ``grade``: at least one photo could not be read; the others were added."""

_EPILOG = """\
a first evening
  cuproscope load demo                                  an invented load to look at
  cuproscope load plan --load "Varnhollow van (demo)"   what to make of it
  cuproscope load buyer "Weirside yard" --currency USD --travel 4
  cuproscope load price "Weirside yard" no1=3.74 no2=3.26 bare_bright=3.95
  cuproscope load add photos/                           graded, and into the bin that fits
  cuproscope load weigh no1 21.4 --tare 2.0             each bin on the scale, in pounds
  cuproscope load plan --minutes 60 --hourly 20
  cuproscope load ticket "Weirside yard" --out tickets
  cuproscope load settle 2026-03-20-1 no1=61.20
"""

Subparsers = Any
"""What ``add_subparsers`` gives: argparse has no public name for it."""


def add_parser(commands: Subparsers) -> None:
    """Add ``load`` and its commands to the program's."""
    load = commands.add_parser(
        "load",
        help="sort, weigh and sell a load: bins, buyers, prices, plan, ticket",
        description="Sort, weigh and sell a load.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    of = load.add_subparsers(title="commands", required=True, metavar="COMMAND")
    _add_add(of)
    _add_bins(of)
    _add_buyers(of)
    _add_list(of)
    _add_plan(of)
    _add_tickets(of)
    _add_demo(of)


def _command(of: Subparsers, name: str, words: str, run: Callable[..., int]) -> Any:  # noqa: ANN401
    parser = of.add_parser(name, help=words, description=f"{words[:1].upper()}{words[1:]}.")
    parser.add_argument("--load", default=None, metavar="NAME", help="which load (default: load)")
    parser.add_argument("--unit", choices=("lb", "kg"), default="lb", help="unit of masses shown")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of text")
    parser.add_argument("--data", type=Path, metavar="FOLDER", help="records' folder")
    parser.add_argument("--day", type=_day, metavar="YYYY-MM-DD", help="count as today")
    parser.add_argument("--debug", action="store_true", help="show what went wrong inside")
    parser.set_defaults(run=run)
    return parser


# ------------------------------------------------------------------------ pieces


def _add_add(of: Subparsers) -> None:
    add = _command(of, "add", "grade photos or typed findings and put them into bins", _add)
    add.add_argument("sources", nargs="*", metavar="PHOTO|FILE.toml", help="photos or findings")
    add.add_argument("--bin", metavar="BIN", help="into this bin (default: by its grade)")
    add.add_argument("--reference", default="auto", metavar="KEY", help="what lies beside it")
    add.add_argument("--sheet", default="house", metavar="NAME|FILE", help="rule sheet")
    add.add_argument("--lot", metavar="NAME", help="a lot that was not photographed")
    add.add_argument("--grade", metavar="GRADE", help="its grade, as you state it")
    add.add_argument("--weight", metavar="MASS", help='its weight, such as "12.5 lb"')


def _add(arguments: argparse.Namespace) -> int:
    from app.load.bins import Bin, with_bin, with_piece
    from app.load.units import LoadError

    with _store(arguments) as store:
        name = _load_name(arguments)
        if arguments.lot is not None:
            groups, unread = [(_lot(arguments),)], 0
        elif arguments.sources:
            groups, unread = _graded(arguments, store)
        else:
            raise LoadError("name photos, findings (.toml) or a --lot", where="load add")
        new = [make for group in groups for make in group]

        def change(load: Load) -> Load:
            for make in new:
                piece = make([one.id for one in load.pieces])
                bin_name = arguments.bin or piece.likely
                if all(b.name != bin_name for b in load.bins):
                    load = with_bin(load, Bin(name=bin_name, grade=piece.likely))
                load = with_piece(load, bin_name, piece)
            return load

        load = store.edit(name, change)
        _show_load(arguments, load)
    return EXIT_UNREADABLE if unread else EXIT_OK


MakePiece = Any
"""Makes a piece once the ids in use are known."""


def _lot(arguments: argparse.Namespace) -> MakePiece:
    from app.load.bins import Piece
    from app.load.pieces import STATED_U_REL, next_id
    from app.load.units import LoadError, mass_from
    from app.load.weights import WeightOrigin, of_normal

    if arguments.grade is None:
        raise LoadError("say its grade (--grade no1)", where=arguments.lot)
    weight = None
    if arguments.weight is not None:
        kg = mass_from(arguments.weight)
        weight = of_normal(kg, STATED_U_REL * float(kg), WeightOrigin.SCALE, "stated")

    def make(taken: list[str]) -> Piece:
        return Piece(id=next_id(taken), name=arguments.lot, p={arguments.grade: 1.0}, weight=weight)

    return make


def _graded(arguments: argparse.Namespace, store: LoadStore) -> tuple[list[Any], int]:
    """Grade every source and record its pieces; returns how many could not be read."""
    from dataclasses import replace

    from app.grading import Outcome, grade_photo, grade_typed
    from app.load.pieces import next_id, pieces_of
    from app.progress import progress
    from app.records import new_pieces_of
    from app.request import Request, reference_key
    from rules.sheet import load_sheet
    from rules.typed import load_findings
    from vision.photo.loading import find_photos

    request = Request(
        sheet=load_sheet(arguments.sheet), reference=reference_key(arguments.reference)
    )
    typed = [Path(one) for one in arguments.sources if one.endswith(".toml")]
    named = [one for one in arguments.sources if not one.endswith(".toml")]
    photos = find_photos(named) if named else ()
    results = [grade_typed(load_findings(path), request, name=path.name) for path in typed]
    with progress(photos) as (waiting, _):
        results += [grade_photo(path, request) for path in waiting]
    groups: list[tuple[MakePiece, ...]] = []
    unread = 0
    for result in results:
        if result.outcome is Outcome.UNREADABLE:
            unread += 1
            for problem in result.problems:
                sys.stderr.write(f"{result.name}: {problem.text} {problem.fix}" + "\n")
            continue
        saved = store.records.save_pieces(new_pieces_of(result, request.sheet))
        pieces = pieces_of(
            result,
            sheet=request.sheet.name,
            taken=(),
            records=[one.id for one in saved],
            photos=[one.photos[0].sha256 if one.photos else None for one in saved],
        )
        groups.append(
            tuple(
                (lambda taken, piece=piece: replace(piece, id=next_id(taken))) for piece in pieces
            )
        )
    return groups, unread


# -------------------------------------------------------------------------- bins


def _add_bins(of: Subparsers) -> None:
    bins = _command(of, "bin", "make a bin, or say as what it is sold", _bin)
    bins.add_argument("bin", metavar="BIN")
    bins.add_argument("--grade", required=True, metavar="GRADE", help="sold as, e.g. no1")

    weigh = _command(of, "weigh", "put a bin or a piece on the scale", _weigh)
    weigh.add_argument("what", metavar="BIN|PIECE")
    weigh.add_argument("reading", metavar="READING", help="with its container")
    weigh.add_argument("--tare", default="0", metavar="READING", help="the empty container")
    weigh.add_argument("--step", metavar="STEP", help="the scale's step (default: last decimal)")

    move = _command(of, "move", "put a piece into another bin", _move)
    move.add_argument("piece", metavar="PIECE")
    move.add_argument("bin", metavar="BIN")

    out = _command(of, "out", "take a piece or a bin out of the load", _out)
    out.add_argument("what", metavar="PIECE|BIN")


def _bin(arguments: argparse.Namespace) -> int:
    from dataclasses import replace

    from app.load.bins import Bin, with_bin

    def change(load: Load) -> Load:
        if any(b.name == arguments.bin for b in load.bins):
            bins = (
                replace(b, grade=arguments.grade) if b.name == arguments.bin else b
                for b in load.bins
            )
            return replace(load, bins=tuple(bins))
        return with_bin(load, Bin(name=arguments.bin, grade=arguments.grade))

    return _edit(arguments, change)


def _weigh(arguments: argparse.Namespace) -> int:
    from decimal import Decimal

    from app.load.bins import weighed_bin, weighed_piece
    from app.load.units import number_from
    from app.load.weights import read_scale

    def read(text: str, what: str) -> Decimal:
        return number_from(text, what=what, high=Decimal(100_000))

    weight = read_scale(
        read(arguments.reading, "reading"),
        unit=_unit(arguments),
        tare=read(arguments.tare, "tare"),
        step=None if arguments.step is None else read(arguments.step, "step"),
    )

    def change(load: Load) -> Load:
        if any(b.name == arguments.what for b in load.bins):
            return weighed_bin(load, arguments.what, weight)
        return weighed_piece(load, arguments.what, weight)

    return _edit(arguments, change)


def _move(arguments: argparse.Namespace) -> int:
    from app.load.bins import moved

    return _edit(arguments, lambda load: moved(load, arguments.piece, arguments.bin))


def _out(arguments: argparse.Namespace) -> int:
    from app.load.bins import without_bin, without_piece

    def change(load: Load) -> Load:
        if any(b.name == arguments.what for b in load.bins):
            return without_bin(load, arguments.what)
        return without_piece(load, arguments.what)[0]

    return _edit(arguments, change)


def _edit(arguments: argparse.Namespace, change: Callable[[Load], Load]) -> int:
    with _store(arguments) as store:
        _show_load(arguments, store.edit(_load_name(arguments), change))
    return EXIT_OK


# ------------------------------------------------------------------------ buyers


def _add_buyers(of: Subparsers) -> None:
    buyer = _command(of, "buyer", "say how a buyer buys; what is left out stays as it is", _buyer)
    buyer.add_argument("name", metavar="BUYER")
    buyer.add_argument("--currency", metavar="CODE", help="ISO 4217, e.g. USD")
    buyer.add_argument("--sheet", metavar="NAME", help="their rule sheet (default: house)")
    buyer.add_argument(
        "--limit",
        action="append",
        default=[],
        metavar="NAME=VALUE[,passes|fails]",
        help="their own threshold, e.g. strand=1.35,fails or no1_tarnish=0.6",
    )
    for what in ("solder", "fittings"):
        buyer.add_argument(
            f"--{what}", choices=("counts", "passes"), help=f"{what}: costs the grade, or let pass"
        )
    buyer.add_argument("--deduction", metavar="PERCENT", help="they take so much off the weight")
    buyer.add_argument("--least", metavar="MASS", help='not less than this, e.g. "20 lb"')
    buyer.add_argument("--travel", metavar="AMOUNT", help="one trip there and back")
    buyer.add_argument("--forgives", type=int, metavar="N", help="wrong pieces overlooked in a bin")
    buyer.add_argument("--note", metavar="TEXT")
    buyer.add_argument("--remove", action="store_true", help="remove them and their prices")

    price = _command(of, "price", "write down what a buyer pays", _price)
    price.add_argument("buyer", metavar="BUYER")
    price.add_argument(
        "prices",
        nargs="+",
        metavar="GRADE=PRICE",
        help="for one --unit; also brass=... and insulated=...",
    )
    price.add_argument("--from", dest="least", metavar="MASS", help="only from this weight on")


def _buyer(arguments: argparse.Namespace) -> int:
    from dataclasses import replace
    from decimal import Decimal

    from app.load.buyers import Buyer, Stance, sheet_of
    from app.load.units import EXACT, LoadError, mass_from, money_from, number_from

    with _store(arguments) as store:
        if arguments.remove:
            store.remove_buyer(arguments.name)
            return _show_buyers(arguments, store)
        known = {one.name.casefold(): one for one in store.buyers()}
        buyer: Buyer | None = known.get(arguments.name.strip().casefold())
        if buyer is None:
            if arguments.currency is None:
                raise LoadError("say in which money they pay (--currency USD)", where="buyer")
            buyer = Buyer(name=arguments.name, currency=arguments.currency)
        said: dict[str, Any] = {}
        for key in ("currency", "sheet", "note"):
            value = getattr(arguments, key)
            if value is not None:
                said[key] = value
        for key in ("solder", "fittings"):
            value = getattr(arguments, key)
            if value is not None:
                said[key] = Stance(value)
        if arguments.deduction is not None:
            percent = number_from(arguments.deduction, what="deduction", high=Decimal(99))
            said["deduction"] = EXACT.divide(percent, Decimal(100))
        if arguments.least is not None:
            said["least_kg"] = mass_from(arguments.least, unit=_unit(arguments))
        if arguments.travel is not None:
            currency = said.get("currency", buyer.currency)
            said["travel"] = money_from(arguments.travel, currency, what="travel")
        if arguments.forgives is not None:
            said["forgiven"] = arguments.forgives
        if arguments.limit:
            said["limits"] = {**buyer.limits, **dict(map(_limit, arguments.limit))}
        buyer = replace(buyer, **said)
        sheet_of(buyer)  # a limit that makes no sense is refused before it is kept
        store.save_buyer(buyer)
        return _show_buyers(arguments, store)


def _limit(text: str) -> tuple[str, OwnLimit]:
    from decimal import Decimal

    from app.load.buyers import OwnLimit
    from app.load.units import LoadError, number_from
    from rules.table import AtLimit

    name, equals, told = text.partition("=")
    value, _, edge = told.partition(",")
    if not equals or edge not in ("", *AtLimit):
        raise LoadError(f"{text!r} is not NAME=VALUE[,passes|fails]", where="limit")
    number = float(number_from(value, what=name, high=Decimal(1000))) if value else None
    return name.strip(), OwnLimit(value=number, at_limit=AtLimit(edge) if edge else None)


def _price(arguments: argparse.Namespace) -> int:
    from decimal import Decimal

    from app.load.prices import Price
    from app.load.terms import OTHER_LINES
    from app.load.units import LoadError, mass_from, price_from
    from rules.sheet import load_sheet

    with _store(arguments) as store:
        buyer = store.buyer(arguments.buyer)
        known = (*load_sheet(buyer.sheet).grade_ids, *OTHER_LINES)
        least = Decimal(0)
        if arguments.least is not None:
            least = mass_from(arguments.least, unit=_unit(arguments))
        prices = []
        for text in arguments.prices:
            grade, equals, amount = text.partition("=")
            if not equals or grade not in known:
                raise LoadError(
                    f"{text!r} is not GRADE=PRICE; grades: {', '.join(known)}", where="price"
                )
            prices.append(
                Price(
                    buyer=buyer.name,
                    grade=grade,
                    amount=price_from(amount, what=grade),
                    per=_unit(arguments),
                    currency=buyer.currency,
                    day=_today(arguments),
                    from_kg=least,
                )
            )
        store.add_prices(prices)
        return _show_prices(arguments, store.book(), [buyer])


# -------------------------------------------------------------------------- list


def _add_list(of: Subparsers) -> None:
    listed = _command(of, "list", "show the load, buyers, prices, tickets or loads", _list)
    listed.add_argument(
        "what",
        nargs="?",
        default="bins",
        choices=("bins", "buyers", "prices", "history", "tickets", "loads"),
    )


def _list(arguments: argparse.Namespace) -> int:
    from app.load.json_out import prices_object, tickets_object
    from app.load.report import prices_text, tickets_text

    with _store(arguments) as store:
        if arguments.what == "buyers":
            return _show_buyers(arguments, store)
        if arguments.what == "prices":
            return _show_prices(arguments, store.book(), store.buyers())
        if arguments.what == "history":
            prices, today = store.book().prices, _today(arguments)
            return _show(
                arguments,
                lambda: prices_text(
                    sorted(prices, key=lambda p: (p.buyer, p.grade, p.day)), today=today
                ),
                lambda: prices_object(prices, today=today),
            )
        if arguments.what == "tickets":
            tickets = store.tickets()
            return _show(arguments, lambda: tickets_text(tickets), lambda: tickets_object(tickets))
        if arguments.what == "loads":
            names = store.names()
            return _show(
                arguments,
                lambda: "\n".join(names) + "\n" if names else "No load yet.\n",
                lambda: {"schema": "cuproscope.load.names/1", "loads": list(names)},
            )
        load = store.load(_load_name(arguments))
        _show_load(arguments, load)
        if not load.bins and not arguments.json:
            sys.stdout.write(_other_loads(store, load.name))
    return EXIT_OK


# -------------------------------------------------------------------------- plan


def _add_plan(of: Subparsers) -> None:
    plan = _command(
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

    unit = _unit(arguments)
    weekly: dict[str, Decimal] = {}
    for text in arguments.weekly:
        grade, equals, mass = text.partition("=")
        if not equals:
            raise LoadError(f"{text!r} is not GRADE=MASS", where="weekly")
        weekly[grade] = mass_from(mass, unit=unit)
    if arguments.chart is not None and arguments.chart.suffix not in (".pdf", ".svg"):
        raise LoadError("a chart is written as .pdf or .svg", where=str(arguments.chart))
    with _store(arguments) as store:
        buyer = None if arguments.buyer is None else store.buyer(arguments.buyer).name
        plan = plan_load(
            _filled(store, arguments),
            _terms(store, _today(arguments), currency_of=buyer),
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
    return _show(
        arguments, lambda: plan_text(plan, unit=unit), lambda: plan_object(plan, unit=unit)
    )


def _cuts(path: Path, plan: Plan, unit: MassUnit, store: LoadStore) -> None:
    from app.load.cuts_pdf import write_cut_list

    try:
        write_cut_list(path, plan, unit=unit, photo_of=_photos(store))
    except OSError as fault:
        raise CuproscopeError(f"can't be written: {fault}", where=str(path)) from fault


def _photos(store: LoadStore) -> Callable[[str, str | None], bytes | None]:
    from functools import partial

    from app.load.pictures import picture_of

    return partial(picture_of, store.records)


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


# ----------------------------------------------------------------------- tickets


def _add_tickets(of: Subparsers) -> None:
    ticket = _command(of, "ticket", "write the ticket for a sale (PDF and CSV)", _ticket)
    ticket.add_argument("buyer", metavar="BUYER|CODE", help="a new one, or an old one again")
    ticket.add_argument("--bins", nargs="+", default=[], metavar="BIN", help="only these bins")
    ticket.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="write it here")
    ticket.add_argument("--paper", choices=("a4", "letter"), default="a4")

    settle = _command(of, "settle", "write down what was paid; its bins leave the load", _settle)
    settle.add_argument("code", metavar="CODE")
    settle.add_argument(
        "paid",
        nargs="*",
        metavar="BIN=AMOUNT[@GRADE]",
        help="what was paid, and as which grade; bins left out: as on the ticket",
    )
    settle.add_argument(
        "--blame", action="append", default=[], metavar="PIECE", help="a piece that cost the bin"
    )
    settle.add_argument("--note", default="", metavar="TEXT")
    settle.add_argument("--keep-bins", action="store_true", help="leave the bins in the load")


def _ticket(arguments: argparse.Namespace) -> int:
    from app.load.json_out import ticket_object
    from app.load.report import settled_text

    with _store(arguments) as store:
        known = {one.code: one for one in store.tickets()}
        ticket = known.get(arguments.buyer)
        if ticket is None:
            store.buyer(arguments.buyer)
            _filled(store, arguments)
            ticket = store.write_ticket(
                _load_name(arguments),
                arguments.buyer,
                day=_today(arguments),
                unit=_unit(arguments),
                bins=arguments.bins,
            )
        paths = _write_files(arguments, store, ticket)
    return _show(
        arguments,
        lambda: settled_text(ticket) + "".join(f"written: {path}\n" for path in paths),
        lambda: {**ticket_object(ticket), "files": [str(path) for path in paths]},
    )


def _write_files(
    arguments: argparse.Namespace, store: LoadStore, ticket: Ticket
) -> tuple[Path, Path]:
    from app.load.ticket_csv import write_ticket_csv
    from app.load.ticket_pdf import write_ticket_pdf

    pdf = arguments.out / f"ticket-{ticket.code}.pdf"
    table = arguments.out / f"ticket-{ticket.code}.csv"
    try:
        write_ticket_pdf(pdf, ticket, photo_of=_photos(store), paper=arguments.paper)
        write_ticket_csv(table, ticket)
    except OSError as fault:
        raise CuproscopeError(f"can't be written: {fault}", where=str(arguments.out)) from fault
    return pdf, table


def _settle(arguments: argparse.Namespace) -> int:
    from app.load.json_out import ticket_object
    from app.load.report import settled_text

    with _store(arguments) as store:
        ticket = store.ticket(arguments.code)
        ticket = store.settle(
            arguments.code,
            _paid_lines(ticket, arguments.paid, arguments.blame),
            day=_today(arguments),
            note=arguments.note,
            keep_bins=arguments.keep_bins,
        )
    return _show(arguments, lambda: settled_text(ticket), lambda: ticket_object(ticket))


def _paid_lines(ticket: Ticket, paid: list[str], blamed: list[str]) -> list[PaidLine]:
    from app.load.terms import OTHER_LINES
    from app.load.ticket import PaidLine
    from app.load.units import LoadError, money_from
    from rules.sheet import load_sheet, sheet_names

    by_bin = {line.bin: line for line in ticket.lines}
    known = {grade for name in sheet_names() for grade in load_sheet(name).grade_ids}
    known |= set(OTHER_LINES)
    lines, left = [], set(blamed)
    for text in paid:
        name, equals, told = text.rpartition("=")
        amount, _, grade = told.partition("@")
        line = by_bin.get(name)
        if not equals or line is None:
            raise LoadError(
                f"{text!r} is not BIN=AMOUNT; bins on it: {', '.join(by_bin)}", where=ticket.code
            )
        if grade and grade not in known:
            raise LoadError(f"unknown grade {grade!r}", where=name)
        own = tuple(piece.id for piece in line.pieces if piece.id in left)
        left -= set(own)
        lines.append(
            PaidLine(
                bin=name,
                grade=grade or line.grade,
                amount=money_from(amount, ticket.currency),
                blamed=own,
            )
        )
    if left:
        raise LoadError(f"no paid bin holds piece {min(left)}", where=ticket.code)
    return lines


# -------------------------------------------------------------------------- demo


def _add_demo(of: Subparsers) -> None:
    demo = _command(of, "demo", "put an invented load in to look at", _demo)
    demo.add_argument("--remove", action="store_true", help="take it out again")


def _demo(arguments: argparse.Namespace) -> int:
    from app.load.demo import LOAD, add_demo, remove_demo
    from app.load.json_out import load_object
    from app.load.report import load_text

    unit = _unit(arguments)
    with _store(arguments) as store:
        if arguments.remove:
            remove_demo(store)
            return _show(
                arguments,
                lambda: "The invented load is gone; your own things are as they were.\n",
                lambda: {"schema": "cuproscope.load.demo/1", "removed": LOAD},
            )
        load = add_demo(store, today=_today(arguments))
    hint = f'\nNow: cuproscope load plan --load "{LOAD}" --hourly 20\n'
    return _show(
        arguments,
        lambda: load_text(load, unit=unit) + hint,
        lambda: load_object(load, unit=unit),
    )


# ------------------------------------------------------------------------- parts


@contextmanager
def _store(arguments: argparse.Namespace) -> Iterator[LoadStore]:
    from app.load.store import LoadStore
    from app.records import open_records

    with open_records(arguments.data) as records:
        for message in records.messages:
            sys.stderr.write(message + "\n")
        yield LoadStore(records)


def _load_name(arguments: argparse.Namespace) -> str:
    from app.load.store import DEFAULT_LOAD

    return DEFAULT_LOAD if arguments.load is None else str(arguments.load)


def _filled(store: LoadStore, arguments: argparse.Namespace) -> Load:
    """Return the load that was asked for; an empty one is refused with where to look."""
    from app.load.units import LoadError

    load = store.load(_load_name(arguments))
    if not load.bins:
        others = _other_loads(store, load.name).rstrip(".\n")
        raise LoadError(
            "there is nothing in this load yet (load add)" + (f". {others}" if others else ""),
            where=load.name,
        )
    return load


def _other_loads(store: LoadStore, name: str) -> str:
    """Return a line that names the other loads, empty where there are none."""
    others = [f'--load "{one}"' for one in store.names() if one != name]
    return f"Others that are there: {', '.join(others)}.\n" if others else ""


def _unit(arguments: argparse.Namespace) -> MassUnit:
    from app.load.units import MassUnit

    return MassUnit(arguments.unit)


def _today(arguments: argparse.Namespace) -> date:
    told: date | None = arguments.day
    return date.today() if told is None else told


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no day such as 2026-03-20") from None


def _show(
    arguments: argparse.Namespace, text: Callable[[], str], obj: Callable[[], dict[str, Any]]
) -> int:
    if arguments.json:
        sys.stdout.write(json.dumps(obj(), allow_nan=False) + "\n")
    else:
        sys.stdout.write(text())
    return EXIT_OK


def _show_load(arguments: argparse.Namespace, load: Load) -> int:
    from app.load.json_out import load_object
    from app.load.report import load_text

    unit = _unit(arguments)
    return _show(
        arguments, lambda: load_text(load, unit=unit), lambda: load_object(load, unit=unit)
    )


def _show_buyers(arguments: argparse.Namespace, store: LoadStore) -> int:
    from app.load.json_out import buyers_object
    from app.load.report import buyers_text

    buyers, unit = store.buyers(), _unit(arguments)
    return _show(arguments, lambda: buyers_text(buyers, unit=unit), lambda: buyers_object(buyers))


def _show_prices(arguments: argparse.Namespace, book: PriceBook, buyers: Iterable[Buyer]) -> int:
    from app.load.json_out import prices_object
    from app.load.report import prices_text

    today = _today(arguments)
    prices = [price for one in buyers for price in book.current(one.name, on=today)]
    return _show(
        arguments,
        lambda: prices_text(prices, today=today),
        lambda: prices_object(prices, today=today),
    )
