"""Where does a new piece go: to the bin of its grade, or to the tray of what is unsure?"""

from __future__ import annotations

from collections.abc import Callable

from app.load.bins import Bin, Load, Piece, with_bin, with_piece
from app.load.terms import OTHER_LINES

TRAY = "to check"
"""Name of the tray, and what it is sold as while nobody looked: no buyer's sheet knows such
a grade, so a tray that is taken along goes as what most of it likely is."""


def put_in(
    load: Load,
    piece: Piece,
    *,
    into: str | None = None,
    called: Callable[[str], str] = str,
) -> Load:
    """Return a load with one more piece.

    A piece whose grade one check would settle goes into the tray, one that is sold by a line
    with a price of its own into the first bin of that, any other into the first bin of its
    grade; what is missing is made.

    Args:
        load: Where it goes.
        piece: The piece; its id is not in use there.
        into: Name of the bin that the person chose; None leaves it to the grade.
        called: What a new bin of a grade is called.
    """
    grade = piece.likely
    if into is None:
        grade = TRAY if piece.settle is not None else sold_as(piece)
        fitting = [b.name for b in load.bins if b.grade == grade]
        into = fitting[0] if fitting else called(grade)
    if all(b.name != into for b in load.bins):
        load = with_bin(load, Bin(name=into, grade=grade))
    return with_piece(load, into, piece)


def sold_as(piece: Piece) -> str:
    """Return the bin that a piece belongs in: its likely grade, or the line that has a price."""
    return piece.line if piece.line is not None and piece.line in OTHER_LINES else piece.likely


def checks_of(load: Load) -> tuple[tuple[str, tuple[Piece, ...]], ...]:
    """Return the checks that the trays' pieces wait for, each with its pieces.

    In walking order: one check after the other for all of its pieces, so that no tool is
    taken up twice; the one with most pieces first.
    """
    waiting: dict[str, list[Piece]] = {}
    for b in load.bins:
        for piece in b.pieces if b.grade == TRAY else ():
            if piece.settle is not None:
                waiting.setdefault(piece.settle, []).append(piece)
    ordered = sorted(waiting.items(), key=lambda one: -len(one[1]))
    return tuple((check, tuple(pieces)) for check, pieces in ordered)
