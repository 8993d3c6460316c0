"""``load buyer`` and ``price``: how a buyer buys, and what they pay."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from app.load.cli.parts import (
    Subparsers,
    add_command,
    day_of,
    opened,
    show_buyers,
    show_prices,
    unit_of,
)

if TYPE_CHECKING:
    from app.load.buyers import Buyer, OwnLimit


def add_commands(of: Subparsers) -> None:
    """Add the commands about buyers and prices."""
    buyer = add_command(
        of, "buyer", "say how a buyer buys; what is left out stays as it is", _buyer
    )
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

    price = add_command(of, "price", "write down what a buyer pays", _price)
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

    with opened(arguments) as store:
        if arguments.remove:
            store.remove_buyer(arguments.name)
            return show_buyers(arguments, store)
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
            said["least_kg"] = mass_from(arguments.least, unit=unit_of(arguments))
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
        return show_buyers(arguments, store)


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

    with opened(arguments) as store:
        buyer = store.buyer(arguments.buyer)
        known = (*load_sheet(buyer.sheet).grade_ids, *OTHER_LINES)
        least = Decimal(0)
        if arguments.least is not None:
            least = mass_from(arguments.least, unit=unit_of(arguments))
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
                    per=unit_of(arguments),
                    currency=buyer.currency,
                    day=day_of(arguments),
                    from_kg=least,
                )
            )
        store.add_prices(prices)
        return show_prices(arguments, store.book(), [buyer])
