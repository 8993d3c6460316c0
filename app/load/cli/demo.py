"""``load demo``: an invented load to look at."""

from __future__ import annotations

import argparse

from app.load.cli.parts import Subparsers, add_command, day_of, opened, show, unit_of


def add_commands(of: Subparsers) -> None:
    """Add the invented load's command."""
    demo = add_command(of, "demo", "put an invented load in to look at", _demo)
    demo.add_argument("--remove", action="store_true", help="take it out again")


def _demo(arguments: argparse.Namespace) -> int:
    from app.load.demo import LOAD, add_demo, remove_demo
    from app.load.json_out import load_object
    from app.load.report import load_text

    unit = unit_of(arguments)
    with opened(arguments) as store:
        if arguments.remove:
            remove_demo(store)
            return show(
                arguments,
                lambda: "The invented load is gone; your own things are as they were.\n",
                lambda: {"schema": "cuproscope.load.demo/1", "removed": LOAD},
            )
        load = add_demo(store, today=day_of(arguments))
    hint = f'\nNow: cuproscope load plan --load "{LOAD}" --hourly 20\n'
    return show(
        arguments,
        lambda: load_text(load, unit=unit) + hint,
        lambda: load_object(load, unit=unit),
    )
