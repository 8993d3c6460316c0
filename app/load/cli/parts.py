"""What all commands of a load share: their options, the opened store, and how they print."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from app.exit_codes import EXIT_OK

if TYPE_CHECKING:
    from app.load.bins import Load
    from app.load.buyers import Buyer
    from app.load.prices import PriceBook
    from app.load.store import LoadStore
    from app.load.units import MassUnit


Subparsers = Any
"""What ``add_subparsers`` gives: argparse has no public name for it."""


def add_command(of: Subparsers, name: str, words: str, run: Callable[..., int]) -> Any:  # noqa: ANN401
    """Add one command with the options that all of them have; ``run`` gives the exit code."""
    parser = of.add_parser(name, help=words, description=f"{words[:1].upper()}{words[1:]}.")
    parser.add_argument("--load", default=None, metavar="NAME", help="which load (default: load)")
    parser.add_argument("--unit", choices=("lb", "kg"), default="lb", help="unit of masses shown")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of text")
    parser.add_argument("--data", type=Path, metavar="FOLDER", help="records' folder")
    parser.add_argument("--day", type=_day, metavar="YYYY-MM-DD", help="count as today")
    parser.add_argument("--debug", action="store_true", help="show what went wrong inside")
    parser.set_defaults(run=run, parser=parser)
    return parser


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no day such as 2026-03-20") from None


@contextmanager
def opened(arguments: argparse.Namespace) -> Iterator[LoadStore]:
    """Open the store, tell what is to be told of it, and close it at the end."""
    from app.load.store import LoadStore
    from app.opening import open_records

    with open_records(arguments.data) as records:
        for message in records.messages:
            sys.stderr.write(message + "\n")
        yield LoadStore(records)


def load_name(arguments: argparse.Namespace) -> str:
    """Return which load is meant."""
    from app.load.store import DEFAULT_LOAD

    return DEFAULT_LOAD if arguments.load is None else str(arguments.load)


def filled(store: LoadStore, arguments: argparse.Namespace) -> Load:
    """Return the load that was asked for; an empty one is refused with where to look."""
    from app.load.units import LoadError

    load = store.load(load_name(arguments))
    if not load.bins:
        others = other_loads(store, load.name).rstrip(".\n")
        raise LoadError(
            "there is nothing in this load yet (load add)" + (f". {others}" if others else ""),
            where=load.name,
        )
    return load


def other_loads(store: LoadStore, name: str) -> str:
    """Return a line that names the other loads, empty where there are none."""
    others = [f'--load "{one}"' for one in store.names() if one != name]
    return f"Others that are there: {', '.join(others)}.\n" if others else ""


def unit_of(arguments: argparse.Namespace) -> MassUnit:
    """Return the unit in which masses were typed and are shown."""
    from app.load.units import MassUnit

    return MassUnit(arguments.unit)


def day_of(arguments: argparse.Namespace) -> date:
    """Return the day that counts as today."""
    told: date | None = arguments.day
    return date.today() if told is None else told


def show(
    arguments: argparse.Namespace, text: Callable[[], str], obj: Callable[[], dict[str, Any]]
) -> int:
    """Print one of the two, as was asked; only that one is made."""
    if arguments.json:
        sys.stdout.write(json.dumps(obj(), allow_nan=False) + "\n")
    else:
        sys.stdout.write(text())
    return EXIT_OK


def show_load(arguments: argparse.Namespace, load: Load) -> int:
    """Print a load."""
    from app.load.json_out import load_object
    from app.load.report import load_text

    unit = unit_of(arguments)
    return show(arguments, lambda: load_text(load, unit=unit), lambda: load_object(load, unit=unit))


def show_buyers(arguments: argparse.Namespace, store: LoadStore) -> int:
    """Print all buyers."""
    from app.load.json_out import buyers_object
    from app.load.report import buyers_text

    buyers, unit = store.buyers(), unit_of(arguments)
    return show(arguments, lambda: buyers_text(buyers, unit=unit), lambda: buyers_object(buyers))


def show_prices(arguments: argparse.Namespace, book: PriceBook, buyers: Iterable[Buyer]) -> int:
    """Print the prices of some buyers that hold today."""
    from app.load.json_out import prices_object
    from app.load.report import prices_text

    today = day_of(arguments)
    prices = [price for one in buyers for price in book.current(one.name, on=today)]
    return show(
        arguments,
        lambda: prices_text(prices, today=today),
        lambda: prices_object(prices, today=today),
    )


def edit(arguments: argparse.Namespace, change: Callable[[Load], Load]) -> int:
    """Change the load and print it as it is now."""
    with opened(arguments) as store:
        show_load(arguments, store.edit(load_name(arguments), change))
    return EXIT_OK


def photos_of(store: LoadStore) -> Callable[[str, str | None], bytes | None]:
    """Return what finds the picture of a piece for paper."""
    from functools import partial

    from app.load.pictures import picture_of

    return partial(picture_of, store.records)
