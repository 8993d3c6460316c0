"""``load list``: the load, buyers, prices, tickets or loads."""

from __future__ import annotations

import argparse
import sys

from app.exit_codes import EXIT_OK
from app.load.cli.parts import (
    Subparsers,
    add_command,
    day_of,
    load_name,
    opened,
    other_loads,
    show,
    show_buyers,
    show_load,
    show_prices,
)


def add_commands(of: Subparsers) -> None:
    """Add the command that shows what there is."""
    listed = add_command(of, "list", "show the load, buyers, prices, tickets or loads", _list)
    listed.add_argument(
        "what",
        nargs="?",
        default="bins",
        choices=("bins", "buyers", "prices", "history", "tickets", "loads"),
    )


def _list(arguments: argparse.Namespace) -> int:
    from app.load.json_out import prices_object, tickets_object
    from app.load.report import prices_text, tickets_text

    with opened(arguments) as store:
        if arguments.what == "buyers":
            return show_buyers(arguments, store)
        if arguments.what == "prices":
            return show_prices(arguments, store.book(), store.buyers())
        if arguments.what == "history":
            prices, today = store.book().prices, day_of(arguments)
            return show(
                arguments,
                lambda: prices_text(
                    sorted(prices, key=lambda p: (p.buyer, p.grade, p.day)), today=today
                ),
                lambda: prices_object(prices, today=today),
            )
        if arguments.what == "tickets":
            tickets = store.tickets()
            return show(arguments, lambda: tickets_text(tickets), lambda: tickets_object(tickets))
        if arguments.what == "loads":
            names = store.names()
            return show(
                arguments,
                lambda: "\n".join(names) + "\n" if names else "No load yet.\n",
                lambda: {"schema": "cuproscope.load.names/1", "loads": list(names)},
            )
        load = store.load(load_name(arguments))
        show_load(arguments, load)
        if not load.bins and not arguments.json:
            sys.stdout.write(other_loads(store, load.name))
    return EXIT_OK
