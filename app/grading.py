"""From a photo file, or findings typed by hand, to graded pieces.

Puts the steps in order and turns what goes wrong into problems; measures and grades
nothing itself.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from app.exit_codes import PhotoOutcome
from app.request import Request
from rules.base_rates import on_bench
from rules.cautions import SELLING, cautions
from rules.engine import Grading, grade
from rules.errors import CuproscopeError, InstallError, PhotoError
from rules.findings import Findings, Form
from rules.typed import TypedPiece

if TYPE_CHECKING:
    from vision.types import Examination, Photo, PieceReading, Problem

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GradedPiece:
    """One piece with its grade.

    Attributes:
        findings: What the rules saw.
        grading: What they say.
        reading: Where on the photo it is; None for findings typed by hand.
        name: What the person calls it, where they do.
    """

    findings: Findings
    grading: Grading
    reading: PieceReading | None = None
    name: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Result:
    """All that can be told of one photo.

    Attributes:
        name: What the person called the photo.
        outcome: Graded, not measurable, or unreadable.
        pieces: The pieces in reading order.
        problems: What stood in the way, each with what to do.
        cautions: What can hurt, where it applies.
        examination: The photo as examined; None where it could not be read, and for
            findings typed by hand.
        notes: What a person should know of how it was read.
    """

    name: str
    outcome: PhotoOutcome
    pieces: tuple[GradedPiece, ...] = ()
    problems: tuple[Problem, ...] = ()
    cautions: tuple[str, ...] = ()
    examination: Examination | None = None
    notes: tuple[str, ...] = ()


def grade_photo(
    path: Path, request: Request, *, flash: Path | None = None, guessed: bool = False
) -> Result:
    """Return all that can be told of a photo file; what goes wrong is in its problems.

    Args:
        path: The photo.
        request: How it is to be graded.
        flash: The same pieces with the flash on, if there is such a photo.
        guessed: Whether the program took the two for a pair, and nobody said it.
    """
    from vision.finish.surface import load_surface_model
    from vision.photo.beside import beside
    from vision.photo.loading import load_photo_file, shown_name

    name = shown_name(path)
    try:
        with beside() as lane:
            lane.submit(load_surface_model)  # which takes as long, the first time
            photo = load_photo_file(path)
        second = None if flash is None else partial(load_photo_file, flash)
        return grade_loaded(photo, request, flash=second, guessed=guessed)
    except Exception as fault:
        return unreadable(name, fault)


def grade_typed(typed: Sequence[TypedPiece], request: Request, *, name: str) -> Result:
    """Return the grades of findings typed by hand."""
    pieces = tuple(
        GradedPiece(
            findings=piece.findings,
            grading=grade(piece.findings, request.sheet),
            name=piece.name,
        )
        for piece in typed
    )
    return Result(
        name=name,
        outcome=PhotoOutcome.GRADED,
        pieces=pieces,
        cautions=_cautions(pieces),
        notes=("typed by hand, no photo",),
    )


def grade_loaded(
    photo: Photo,
    request: Request,
    *,
    flash: Callable[[], Photo] | None = None,
    guessed: bool = False,
) -> Result:
    """Return all that can be told of a photo.

    Args:
        photo: The photo.
        request: How it is to be graded.
        flash: Loads the same pieces with the flash on; where it can't, the photo is graded
            alone, and that is among its problems.
        guessed: Whether the program took the two for a pair, and nobody said it.
    """
    return grade_examination(examined(photo, request, flash=flash, guessed=guessed), request)


def examined(
    photo: Photo,
    request: Request,
    *,
    flash: Callable[[], Photo] | None = None,
    guessed: bool = False,
    **tapped: Any,  # noqa: ANN401 (what examine takes of taps)
) -> Examination:
    """Return what can be told from a photo before it is graded; see :func:`grade_loaded`."""
    from vision.examine import examine
    from vision.flash.pairs import examine_pair
    from vision.problems import as_problem

    asked = {
        "reference": request.reference,
        "form": request.form,
        "facts": request.facts,
        "print_scale": request.print_scale,
        **tapped,
    }
    if flash is None:
        return examine(photo, **asked)
    try:
        second = flash()
    except PhotoError as fault:
        told = as_problem(fault)
        told = replace(told, text=f"{fault.where}: {told.text}")
        examination = examine(photo, **asked)
        return replace(examination, problems=(*examination.problems, told))
    return examine_pair(photo, second, guessed=guessed, **asked)


def grade_examination(examination: Examination, request: Request) -> Result:
    """Return the grades of a photo that was examined already."""
    readings = tuple(
        replace(reading, findings=on_bench(reading.findings, request.rates))
        for reading in examination.pieces
    )
    examination = replace(examination, pieces=readings)
    pieces = tuple(
        GradedPiece(
            findings=reading.findings,
            grading=grade(reading.findings, request.sheet),
            reading=reading,
        )
        for reading in examination.pieces
    )
    measurable = examination.scale is not None and pieces and all(map(_is_measured, pieces))
    return Result(
        name=examination.photo.name,
        outcome=PhotoOutcome.GRADED if measurable else PhotoOutcome.NOT_MEASURABLE,
        pieces=pieces,
        problems=examination.problems,
        cautions=_cautions(pieces),
        examination=examination,
        notes=examination.photo.notes,
    )


def _is_measured(piece: GradedPiece) -> bool:
    """Whether the size that the rules ask about was measured; sheet and lumps have none."""
    findings = piece.findings
    if findings.form.value in (Form.WIRE, Form.STRANDED):
        return findings.strand_diameter is not None
    return findings.form.value is not Form.TUBE or findings.diameter is not None


def _cautions(pieces: Sequence[GradedPiece]) -> tuple[str, ...]:
    """Return each caution once; the one about selling, which is for the end, last."""
    told = [text for piece in pieces for text in cautions(piece.findings, piece.grading)]
    return tuple(sorted(dict.fromkeys(told), key=lambda text: text == SELLING))


def unreadable(name: str, fault: Exception) -> Result:
    """Return the result of a photo that could not be read, with what to do about it.

    Raises:
        InstallError: The photo is not at fault: a part of the program is missing.
    """
    from vision.problems import as_problem, problem_of

    if isinstance(fault, InstallError):
        raise fault  # no other photo would fare better
    if isinstance(fault, PhotoError):
        problem = as_problem(fault)
    else:
        # One photo that trips over a fault of ours must not cost the person the others.
        log.error("photo %s", name, exc_info=fault)
        told = fault.message if isinstance(fault, CuproscopeError) else type(fault).__name__
        problem = problem_of("internal", told=told)
    return Result(name=name, outcome=PhotoOutcome.UNREADABLE, problems=(problem,))
