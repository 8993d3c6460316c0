"""What the second opinion compares: the level measured, the person's call, the limits."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from app.records import PieceRecord
from app.web.opinion.pooling import Step
from app.web.opinion.tarnish_picture import Cut, Mark
from rules.findings import Measurement
from rules.sheet import Comparison, RuleSheet

LEVEL = "tarnish_level"


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """What a person said before they saw the answer.

    Attributes:
        grade: The grade's id.
        level: The tarnish level they named, 0 to 1.
    """

    grade: str
    level: float | None = None


def cuts_of(sheet: RuleSheet) -> tuple[Cut, ...]:
    """Return the tarnish limits of a sheet, each with the best grade it stands before.

    Every row that asks for a tarnish level draws a line on the bar; rows with one and
    the same limit draw it once.
    """
    levels = {
        condition.threshold
        for row in sheet.rows
        for condition in row.conditions
        if condition.finding == LEVEL and isinstance(condition.threshold, float)
    }
    return tuple(
        Cut(name=f"{_before(level, sheet)} by the sheet", value=level) for level in sorted(levels)
    )


def _before(level: float, sheet: RuleSheet) -> str:
    """Return the grade that is paid up to a level: the best that a row beyond it is not."""
    ids = list(sheet.grade_ids)
    admitted = [
        ids.index(row.grade)
        for row in sheet.rows
        for condition in row.conditions
        if condition.finding == LEVEL
        and condition.threshold == level
        and condition.comparison in (Comparison.AT_MOST, Comparison.BELOW)
    ]
    if admitted:
        return sheet.title_of(ids[min(admitted)])
    refused = [
        ids.index(row.grade)
        for row in sheet.rows
        for condition in row.conditions
        if condition.finding == LEVEL and condition.threshold == level
    ]
    return sheet.title_of(ids[max(0, min(refused) - 1)])


def marks_of(
    measured: Measurement | None, call: Call | None, *, name: str = "measured"
) -> tuple[Mark, ...]:
    """Return what stands over the bar: the measured level, and the person's own."""
    marks = []
    if measured is not None:
        marks.append(
            Mark(
                name=name,
                value=round(measured.value, 3),
                low=round(max(0.0, measured.low95), 3),
                high=round(min(1.0, measured.high95), 3),
            )
        )
    if call is not None and call.level is not None:
        marks.append(Mark(name="your call", value=call.level))
    return tuple(marks)


def pooled_marks(steps: Sequence[Step], call: Call | None) -> tuple[Mark, ...]:
    """Return the level after one photo and after all of them, so that the eye sees it shrink."""
    told = [(steps[0], "1 photo"), (steps[-1], f"{steps[-1].photos} photos")]
    marks = [mark for step, name in told for mark in marks_of(step.level, None, name=name)]
    return (*marks, *marks_of(None, call))


def agreement(call: Call, suggested: str | None, *, borderline: bool) -> str:
    """Return in words how the person's call and the answer stand to each other."""
    if suggested is None:
        return "The photo does not lean either way; your call stands alone."
    if call.grade == suggested:
        return (
            "You and the photo lean the same way; it is still borderline."
            if borderline
            else "You and the photo agree."
        )
    return (
        "You lean different ways, and the photo is not sure: trust the check that it names."
        if borderline
        else "You and the photo differ: look again at what it gives as its reason."
    )


def blind_call(record: PieceRecord) -> Call | None:
    """Return the last call made blind on a record."""
    blind = [call for call in record.own_calls if call.blind]
    if not blind:
        return None
    return Call(grade=blind[-1].grade, level=blind[-1].tarnish_level)


def borderline_first(pieces: Iterable[PieceRecord]) -> list[PieceRecord]:
    """Return records with the doubtful ones first, else in the order they came."""
    return sorted(pieces, key=lambda piece: not piece.grading.borderline)
