"""The rule sheet: an ordered table of rows, the first that holds decides.

A sheet is data and nothing else: rows of conditions, each a finding, a
comparison and a threshold with its unit. No expressions, no code, no patterns.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from rules.findings import Unit
from rules.vocabulary import VOCABULARY, Kind


class Comparison(StrEnum):
    """How a finding is compared with a threshold."""

    AT_LEAST = "at_least"
    MORE_THAN = "more_than"
    AT_MOST = "at_most"
    BELOW = "below"
    IS = "is"
    IS_NOT = "is_not"
    ONE_OF = "one_of"


NUMBER_COMPARISONS = (
    Comparison.AT_LEAST,
    Comparison.MORE_THAN,
    Comparison.AT_MOST,
    Comparison.BELOW,
)
NAME_COMPARISONS = (Comparison.IS, Comparison.IS_NOT, Comparison.ONE_OF)

# What becomes of a comparison where a value exactly on the limit fails instead.
EXCLUSIVE = {
    Comparison.AT_LEAST: Comparison.MORE_THAN,
    Comparison.BELOW: Comparison.AT_MOST,
}


class AtLimit(StrEnum):
    """Whether a value exactly on a limit passes ('at least') or fails ('more than')."""

    PASSES = "passes"
    FAILS = "fails"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A threshold with a name, the part of a sheet that a buyer may override.

    Attributes:
        value: The threshold, in ``unit``.
        unit: Its unit.
        what: What it limits, in words.
        source: Where the number comes from.
        at_limit: Whether a value exactly on it passes.
    """

    value: float
    unit: Unit
    what: str
    source: str
    at_limit: AtLimit = AtLimit.PASSES


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One thing that must hold of one finding.

    Attributes:
        finding: Name of the finding, one of the vocabulary.
        comparison: How it is compared.
        threshold: A number in ``unit``, a yes or no, or the names that are admitted.
        unit: Unit of a number; None for the others.
        limit: Name of the sheet's limit that the threshold comes from, if any.
    """

    finding: str
    comparison: Comparison
    threshold: float | bool | tuple[str, ...]
    unit: Unit | None = None
    limit: str | None = None

    @property
    def is_number(self) -> bool:
        """Whether the finding is a number, so that a margin can be told."""
        return VOCABULARY[self.finding].kind is Kind.NUMBER


@dataclass(frozen=True, slots=True, kw_only=True)
class Lift:
    """What would lift a piece to a better grade.

    Attributes:
        action: What to do, in plain words.
        to: In a sheet the best grade that the action can lead to; in a grading
            the grade that it does lead to.
        minutes: Typical time.
        clears: Findings that the action takes off the piece.
    """

    action: str
    to: str
    minutes: float
    clears: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of a sheet: where all conditions hold, its grade is the answer.

    ``line`` names in a word or two what the trade sells such a piece as, where that is another
    line than the grade: several lines of a yard's list may be set aside.
    """

    id: str
    conditions: tuple[Condition, ...]
    grade: str
    reason: str
    source: str
    lift: Lift | None = None
    line: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Grade:
    """One grade of a sheet."""

    id: str
    title: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSheet:
    """A checked rule sheet.

    Attributes:
        name: Short name.
        title: What it is, in words.
        grades: From the best paid to the worst; a lift goes up in this order.
        limits: The named thresholds.
        rows: In order; the first that holds decides, and some row always holds.
        based_on: Name of the sheet whose thresholds this one overrides, if any.
    """

    name: str
    title: str
    grades: tuple[Grade, ...]
    limits: Mapping[str, Limit]
    rows: tuple[Row, ...]
    based_on: str | None = None

    @property
    def grade_ids(self) -> tuple[str, ...]:
        """Ids of the grades, best first."""
        return tuple(grade.id for grade in self.grades)

    def title_of(self, grade_id: str) -> str:
        """Return what a grade is called."""
        return next(grade.title for grade in self.grades if grade.id == grade_id)
