"""``load bin``, ``weigh``, ``move`` and ``out``: what is in which bin, and what it weighs."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from app.load.cli.parts import Subparsers, add_command, edit, unit_of

if TYPE_CHECKING:
    from decimal import Decimal

    from app.load.bins import Load


def add_commands(of: Subparsers) -> None:
    """Add the commands about bins."""
    bins = add_command(of, "bin", "make a bin, or say as what it is sold", _bin)
    bins.add_argument("bin", metavar="BIN")
    bins.add_argument("--grade", required=True, metavar="GRADE", help="sold as, e.g. no1")

    weigh = add_command(of, "weigh", "put a bin or a piece on the scale", _weigh)
    weigh.add_argument("what", metavar="BIN|PIECE")
    weigh.add_argument("reading", metavar="READING", help="with its container")
    weigh.add_argument("--tare", default="0", metavar="READING", help="the empty container")
    weigh.add_argument("--step", metavar="STEP", help="the scale's step (default: last decimal)")

    move = add_command(of, "move", "put a piece into another bin", _move)
    move.add_argument("piece", metavar="PIECE")
    move.add_argument("bin", metavar="BIN")

    out = add_command(of, "out", "take a piece or a bin out of the load", _out)
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

    return edit(arguments, change)


def _weigh(arguments: argparse.Namespace) -> int:
    from decimal import Decimal

    from app.load.bins import weighed_bin, weighed_piece
    from app.load.units import number_from
    from app.load.weights import read_scale

    def read(text: str, what: str) -> Decimal:
        return number_from(text, what=what, high=Decimal(100_000))

    weight = read_scale(
        read(arguments.reading, "reading"),
        unit=unit_of(arguments),
        tare=read(arguments.tare, "tare"),
        step=None if arguments.step is None else read(arguments.step, "step"),
    )

    def change(load: Load) -> Load:
        if any(b.name == arguments.what for b in load.bins):
            return weighed_bin(load, arguments.what, weight)
        return weighed_piece(load, arguments.what, weight)

    return edit(arguments, change)


def _move(arguments: argparse.Namespace) -> int:
    from app.load.bins import moved

    return edit(arguments, lambda load: moved(load, arguments.piece, arguments.bin))


def _out(arguments: argparse.Namespace) -> int:
    from app.load.bins import without_bin, without_piece

    def change(load: Load) -> Load:
        if any(b.name == arguments.what for b in load.bins):
            return without_bin(load, arguments.what)
        return without_piece(load, arguments.what)[0]

    return edit(arguments, change)
