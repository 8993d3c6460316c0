"""Which ``cuproscope load`` command does what?

Thin: each reads what was typed, calls the store and the plain arithmetic, and prints, as
text or with ``--json`` as one object. What takes long to import is imported when needed.
"""

from __future__ import annotations

import argparse

from app.load.cli import add, bins, buyers, demo, lists, plan, tickets
from app.load.cli.parts import Subparsers

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
    for commands_of in (add, bins, buyers, lists, plan, tickets, demo):
        commands_of.add_commands(of)
