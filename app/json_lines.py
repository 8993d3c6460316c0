"""Results as JSON Lines: one object a photo, by the contract ``cuproscope.grade/1``.

Keys only ever get added. Numbers are rounded to what they are good for; a number that
can't be told is null, never NaN.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from math import isfinite
from typing import TYPE_CHECKING, Any

from app.grading import GradedPiece, Result
from app.how import TYPED, fix_with
from rules.draws import expected_finish, u_share_of_area
from rules.engine import Grading
from rules.findings import ON_THE_PIECE, Findings, Finish, Form, Measurement, What
from rules.gauge import awg_from_mm

if TYPE_CHECKING:
    from vision.flash.types import FlashPiece
    from vision.types import Boxes, Examination, FloatArray, Problem, Scale

SCHEMA = "cuproscope.grade/1"

Object = dict[str, Any]


def as_line(result: Result) -> str:
    """Return one line of JSON, ASCII only, without the line's end."""
    return json.dumps(as_object(result), allow_nan=False, separators=(", ", ": "))


def as_object(result: Result) -> Object:
    """Return the contract's object: only str, int, float, bool, None, list and dict."""
    return {
        "schema": SCHEMA,
        "photo": _photo(result),
        "scale": _scale(result.examination.scale if result.examination else None),
        "pieces": [_piece(piece) for piece in result.pieces],
        "problems": [_problem(problem) for problem in result.problems],
        "cautions": list(result.cautions),
        "left_out": _left_out(result.examination),
        "flash": _flash(result.examination),
    }


def _left_out(examination: Examination | None) -> list[Object]:
    """Return what was seen beside the pieces, each with why it is none of them."""
    seen = () if examination is None else examination.left_out
    return [{"why": str(one.why), "outline_px": _points(one.outline_px)} for one in seen]


def _photo(result: Result) -> Object:
    examination: Examination | None = result.examination
    photo = examination.photo if examination is not None else None
    return {
        "name": result.name,
        "sha256": photo.sha256 if photo else None,
        "width_px": photo.width_px if photo else None,
        "height_px": photo.height_px if photo else None,
        "notes": list(result.notes),
    }


def _scale(scale: Scale | None) -> Object | None:
    if scale is None:
        return None
    return {
        "reference": scale.reference,
        "mm_per_px": json_number(scale.mm_per_px, 6),
        "u_rel": json_number(scale.u_rel, 5),
        "tilt_deg": json_number(scale.tilt_deg, 1),
        "residual_px": json_number(scale.residual_px, 3),
    }


def _flash(examination: Examination | None) -> Object | None:
    """Return whether the flash lit the photo, and what a second one with it gave."""
    if examination is None:
        return None
    second = examination.flash
    return {
        "lit_p": json_number(examination.flash_p, 4),
        "second": None
        if second is None
        else {
            "name": second.photo.name,
            "sha256": second.photo.sha256,
            "lit_p": json_number(second.p, 4),
            "pieces": [None if piece is None else _again(piece) for piece in second.pieces],
        },
    }


def _again(piece: FlashPiece) -> Object:
    """Return a piece as the second photo shows it, and what that adds."""
    told = piece.evidence
    return {
        "box_px": [int(v) for v in piece.box_px],
        "overlap": json_number(piece.overlap, 3),
        "log_ratio": {str(what): json_number(ratio, 3) for what, ratio in told.log_ratio.items()},
        "note": told.note,
        "core_px": [[int(v) for v in box] for box in piece.core_px],
        "ring_px": [[int(v) for v in box] for box in piece.ring_px],
    }


def _piece(piece: GradedPiece) -> Object:
    findings, reading = piece.findings, piece.reading
    strand, between = findings.strand_diameter, findings.width_between_mm
    seen_at = {} if reading is None else reading.boxes_px
    boxes = {what: seen_at.get(what, ()) for what in ON_THE_PIECE}
    told: Object = {
        "box_px": [int(v) for v in reading.region.box_px] if reading else None,
        "outline_px": _outline(piece),
        "form": {
            "value": str(findings.form.value),
            "p": {str(form): json_number(findings.form.p.get(form, 0.0), 4) for form in Form},
            "stated": bool(findings.form.stated),
        },
        "diameter_mm": _measured(findings.diameter),
        "strand_diameter_mm": _measured(strand),
        "awg": None if strand is None else json_number(awg_from_mm(strand.value), 1),
        "finish": _finish(findings),
        "brass": _flag(findings, What.BRASS, boxes[What.BRASS]),
        "solder": _flag(findings, What.SOLDER, boxes[What.SOLDER]),
        "grade": _grade(piece.grading),
        "other_metal": {"p": json_number(findings.p_of(What.OTHER_METAL), 4)},
        "not_metal": {"p": json_number(findings.p_of(What.NOT_METAL), 4)},
        "seen": {str(what): _seen(findings, what, boxes[what]) for what in ON_THE_PIECE},
        "familiarity": json_number(findings.familiarity, 3),
        "one_piece": {"p": json_number(findings.one_piece, 3)},
        "width_between_mm": between and [json_number(mm, 3) for mm in between],
    }
    if piece.name is not None:
        told["name"] = piece.name
    if reading is not None and reading.notes:
        told["notes"] = list(reading.notes)
    return told


def _outline(piece: GradedPiece) -> list[list[float | None]] | None:
    return None if piece.reading is None else _points(piece.reading.region.outline_px)


def _points(outline_px: FloatArray) -> list[list[float | None]]:
    from app.polygons import simple_outline

    return [[json_number(x, 1), json_number(y, 1)] for x, y in simple_outline(outline_px)]


def _measured(measured: Measurement | None) -> Object | None:
    if measured is None:
        return None
    return {
        "value": json_number(measured.value, 4),
        "u": json_number(measured.u, 4),
        "low95": json_number(measured.low95, 4),
        "high95": json_number(measured.high95, 4),
    }


def _finish(findings: Findings) -> Object | None:
    finish = expected_finish(findings)
    if finish is None:
        return None
    return {
        "shares": _by_finish(finish.shares),
        "u": _by_finish(finish.u),
        "tarnish_level": {
            "value": json_number(finish.tarnish_level.value, 3),
            "u": json_number(finish.tarnish_level.u, 3),
        },
    }


def _by_finish(values: Mapping[Finish, float]) -> Object:
    return {str(finish): json_number(values.get(finish, 0.0), 4) for finish in Finish}


def _flag(findings: Findings, what: What, boxes: Boxes) -> Object:
    return {
        "p": json_number(findings.p_of(what), 4),
        "share": json_number(findings.seen[what].share, 4),
        "boxes_px": [[int(v) for v in box] for box in boxes],
    }


def _seen(findings: Findings, what: What, boxes: Boxes) -> Object | None:
    """Return presence and share of one thing; null where nobody told the two apart."""
    flag = findings.seen.get(what)
    if flag is None:
        return None
    return {
        "p": json_number(findings.p_of(what), 4),
        "share": json_number(flag.share, 4),
        "u_share": json_number(u_share_of_area(flag), 4),
        "boxes_px": [[int(v) for v in box] for box in boxes],
    }


def _grade(grading: Grading) -> Object:
    return {
        "suggested": grading.suggested,
        "confidence": json_number(grading.confidence, 4),
        "p": {str(grade): json_number(p, 4) for grade, p in grading.p.items()},
        "borderline": bool(grading.borderline),
        "settle": grading.settle,
        "reasons": [
            {
                "row": reason.row,
                "text": reason.text,
                "margin": None if reason.margin is None else json_number(reason.margin, 2),
                "p": json_number(reason.p, 4),
            }
            for reason in grading.reasons
        ],
        "lifts": [
            {"action": lift.action, "to": lift.to, "minutes": json_number(lift.minutes, 1)}
            for lift in grading.lifts
        ],
        "plausible": list(grading.plausible),
        "guess": bool(grading.guess),
    }


def _problem(problem: Problem) -> Object:
    return {
        "code": problem.code,
        "text": problem.text,
        "fix": fix_with(problem, TYPED),
        "pieces": list(problem.pieces),
    }


def json_number(value: float, digits: int) -> float | None:
    """Return a plain rounded float; None where there is no such number."""
    plain = float(value)
    return round(plain, digits) + 0.0 if isfinite(plain) else None
