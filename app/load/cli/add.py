"""``load add``: grade photos or typed findings, and put their pieces into bins."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from app.exit_codes import EXIT_OK, PhotoOutcome
from app.load.cli.parts import Subparsers, add_command, load_name, opened, show_load

if TYPE_CHECKING:
    from app.load.bins import Load, Piece
    from app.load.store import LoadStore


def add_commands(of: Subparsers) -> None:
    """Add the command that grades and sorts into bins."""
    add = add_command(of, "add", "grade photos or typed findings and put them into bins", _add)
    add.add_argument("sources", nargs="*", metavar="PHOTO|FILE.toml", help="photos or findings")
    add.add_argument(
        "--bin",
        metavar="BIN",
        help="into this bin (default: by its grade, unsure ones to check)",
    )
    add.add_argument("--reference", default="auto", metavar="KEY", help="what lies beside it")
    add.add_argument("--sheet", default="house", metavar="NAME|FILE", help="rule sheet")
    add.add_argument("--lot", metavar="NAME", help="a lot that was not photographed")
    add.add_argument("--grade", metavar="GRADE", help="its grade, as you state it")
    add.add_argument("--weight", metavar="MASS", help='its weight, such as "12.5 lb"')


def _add(arguments: argparse.Namespace) -> int:
    from app.load.sorting import put_in
    from app.load.units import LoadError

    with opened(arguments) as store:
        name, unread = load_name(arguments), 0
        new: list[MakePiece]
        if arguments.lot is not None:
            new = [_lot(arguments)]
        elif arguments.sources:
            new, unread = _graded(arguments, store)
        else:
            raise LoadError("name photos, findings (.toml) or a --lot", where="load add")

        def change(load: Load) -> Load:
            for make in new:
                load = put_in(load, make(load.taken), into=arguments.bin or None)
            return load

        load = store.edit(name, change)
        show_load(arguments, load)
    return PhotoOutcome.UNREADABLE if unread else EXIT_OK


MakePiece = Any
"""Makes a piece once the ids in use are known."""


def _lot(arguments: argparse.Namespace) -> MakePiece:
    from app.load.bins import Piece
    from app.load.pieces import STATED_U_REL, next_id
    from app.load.units import LoadError, mass_from
    from app.load.weights import WeightOrigin, of_normal
    from app.records.text import one_line

    if arguments.grade is None:
        raise LoadError("say its grade (--grade no1)", where=arguments.lot)
    weight = None
    if arguments.weight is not None:
        kg = mass_from(arguments.weight)
        weight = of_normal(kg, STATED_U_REL * float(kg), WeightOrigin.SCALE, "stated")

    def make(taken: list[str]) -> Piece:
        return Piece(
            id=next_id(taken),
            name=one_line(arguments.lot, longest=120),
            p={arguments.grade: 1.0},
            weight=weight,
        )

    return make


def _graded(arguments: argparse.Namespace, store: LoadStore) -> tuple[list[MakePiece], int]:
    """Grade every source and record its pieces; return them, and how many can't be read."""
    from dataclasses import replace

    from app.grading import grade_photo, grade_typed
    from app.how import TYPED, fix_with
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
    new: list[MakePiece] = []
    unread = 0
    for result in results:
        if result.outcome is PhotoOutcome.UNREADABLE:
            unread += 1
            for problem in result.problems:
                sys.stderr.write(f"{result.name}: {problem.text} {fix_with(problem, TYPED)}\n")
            continue
        saved = store.records.save_pieces(new_pieces_of(result, request.sheet))
        pieces = pieces_of(
            result,
            sheet=request.sheet.name,
            taken=(),
            records=[one.id for one in saved],
            photos=[one.photos[0].sha256 if one.photos else None for one in saved],
        )
        new += [lambda taken, piece=piece: replace(piece, id=next_id(taken)) for piece in pieces]
    return new, unread
