"""From a graded photo, or findings typed by hand, to pieces of a load."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from math import dist
from statistics import median
from typing import TYPE_CHECKING

from app.load.bins import Piece, number_of
from app.load.units import LoadError
from app.load.weights import (
    Weight,
    WeightOrigin,
    length_from_outline_mm,
    of_normal,
    weight_of_piece,
)
from app.records.text import one_line
from rules.draws import LIKELIER_P
from rules.findings import Findings, What

if TYPE_CHECKING:
    from app.grading import GradedPiece, Result
    from app.records.types import PieceRecord, PlaceOnPhoto
    from vision.types import Scale

STATED_U_REL = 0.01
"""Doubt of a weight that was stated without a scale's step: common practice, no source."""


def pieces_of(
    result: Result,
    *,
    sheet: str,
    taken: Iterable[str],
    records: Sequence[str | None] | None = None,
    photos: Sequence[str | None] | None = None,
) -> tuple[Piece, ...]:
    """Return the pieces of a graded photo, each with its estimated weight where possible.

    Args:
        result: The graded photo, or typed findings.
        sheet: Name of the rule sheet that graded it.
        taken: Ids that are in use.
        records: Ids of the pieces in the records, in the same order.
        photos: Hashes of their photos there.
    """
    used = set(taken)
    found = []
    scale = None if result.examination is None else result.examination.scale
    for index, graded in enumerate(result.pieces):
        piece_id = next_id(used)
        used.add(piece_id)
        stem = result.name.rsplit(".", 1)[0]
        name = graded.name or (stem if len(result.pieces) == 1 else f"{stem} {index + 1}")
        found.append(
            Piece(
                id=piece_id,
                name=one_line(name, longest=120),
                p=_summing(graded.grading.p),
                weight=weight_of(graded, scale),
                findings=graded.findings,
                lifts=graded.grading.lifts,
                photo=None if photos is None else photos[index],
                record=None if records is None else records[index],
                sheet=sheet,
                settle=graded.grading.settle,
                line=graded.grading.line,
                confidence=graded.grading.confidence,
            )
        )
    return tuple(found)


def weight_of(graded: GradedPiece, scale: Scale | None) -> Weight | None:
    """Return a piece's weight: as stated, else estimated from its outline; None for neither.

    Nothing is estimated of what is likelier insulated, or no copper.
    """
    stated = stated_weight(graded.findings)
    if stated is not None:
        return stated
    findings, reading = graded.findings, graded.reading
    if reading is None or scale is None or findings.diameter is None or not _is_bare(findings):
        return None
    outline = [(float(x), float(y)) for x, y in scale.to_mm(reading.region.outline_px)]
    try:
        length, u = length_from_outline_mm(outline, diameter_mm=findings.diameter.value)
    except LoadError:
        return None
    return weight_of_piece(
        findings.form.value, diameter=findings.diameter, length_mm=length, u_length_mm=u
    )


def piece_of_record(record: PieceRecord, *, taken: Iterable[str]) -> Piece:
    """Return a recorded piece as a piece of a load.

    Its weight is the stated one, else estimated from its outline on the first photo where
    its width was measured: the width in pixels and in mm give the scale.
    """
    graded = record.grading
    weight = stated_weight(record.findings)
    for photo in record.photos:
        if weight is None and photo.place is not None:
            weight = _weight_at(photo.place, photo.findings or record.findings)
    return Piece(
        id=next_id(taken),
        name=record.name or f"piece of {record.created_utc.astimezone():%d %b, %H:%M}",
        p=_summing(graded.p),
        weight=weight,
        findings=record.findings,
        lifts=graded.lifts,
        photo=record.photos[0].sha256 if record.photos else None,
        record=record.id,
        sheet=record.sheet.id,
        settle=graded.settle,
        line=graded.line,
        confidence=graded.confidence,
    )


def _weight_at(place: PlaceOnPhoto, findings: Findings) -> Weight | None:
    widths = [dist(a, b) for a, b in place.measured_lines_px]
    if not widths or findings.diameter is None or len(place.outline_px) < 3:
        return None
    if not _is_bare(findings):
        return None
    mm_per_px = findings.diameter.value / median(widths)
    outline = [(x * mm_per_px, y * mm_per_px) for x, y in place.outline_px]
    try:
        length, u = length_from_outline_mm(outline, diameter_mm=findings.diameter.value)
    except LoadError:
        return None
    return weight_of_piece(
        findings.form.value, diameter=findings.diameter, length_mm=length, u_length_mm=u
    )


def _is_bare(findings: Findings) -> bool:
    """Whether what was measured is copper from side to side, so that its size tells its mass.

    Within a jacket the outer diameter is not the copper's, and another metal has not its density.
    """
    jacket = findings.facts.insulation
    jacketed = findings.p_of(What.INSULATION) >= LIKELIER_P if jacket is None else jacket
    foreign = max(findings.p_of(What.OTHER_METAL), findings.p_of(What.NOT_METAL))
    return not jacketed and foreign < LIKELIER_P


def stated_weight(findings: Findings) -> Weight | None:
    """Return the weight that the person stated, None where they stated none."""
    kg = findings.facts.weight_kg
    if kg is None:
        return None
    return of_normal(Decimal(f"{float(kg):.9f}"), STATED_U_REL * kg, WeightOrigin.SCALE, "stated")


def next_id(taken: Iterable[str]) -> str:
    """Return a short id behind all that were ever given (:attr:`Load.taken`): p1, p2, ..."""
    return f"p{1 + max(map(number_of, taken), default=0)}"


def _summing(p: Mapping[str, float]) -> dict[str, float]:
    chances = {str(grade): float(chance) for grade, chance in p.items()}
    whole = sum(chances.values())
    return {grade: chance / whole for grade, chance in chances.items()}
