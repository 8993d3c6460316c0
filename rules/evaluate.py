"""Which row decides each of thousands of pieces? One numpy pass over a sheet."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.draws import Draws
from rules.errors import ContractError
from rules.table import Comparison, Condition, Row, RuleSheet
from rules.vocabulary import VOCABULARY, Kind

Held = NDArray[np.bool_]

_NUMBER_TESTS = {
    Comparison.AT_LEAST: np.greater_equal,
    Comparison.MORE_THAN: np.greater,
    Comparison.AT_MOST: np.less_equal,
    Comparison.BELOW: np.less,
}


def holds(condition: Condition, pieces: Draws) -> Held:
    """Return where a condition holds; of length 1 where all pieces agree."""
    column = pieces.columns[condition.finding]
    threshold, term = condition.threshold, VOCABULARY[condition.finding]
    if term.kind is Kind.NUMBER:
        held: Held = _NUMBER_TESTS[condition.comparison](column, threshold)
        return held
    if isinstance(threshold, bool):
        return np.equal(column, threshold)
    if not isinstance(threshold, tuple):
        raise ContractError(f"threshold must be names, not {threshold}", where=term.name)
    # Few names: one comparison each costs less than a set lookup.
    held = np.zeros(column.shape, dtype=bool)
    for name in threshold:
        held |= column == term.values.index(name)
    return ~held if condition.comparison is Comparison.IS_NOT else held


class Evaluation:
    """A sheet applied to pieces: which conditions hold, which row decides.

    Attributes:
        row: ``(count,)`` index of the deciding row of each piece.
        grade: ``(count,)`` index of its grade, in the order of the sheet's grades.
        holding: For each row where its own conditions hold, whichever row came first.
    """

    def __init__(self, sheet: RuleSheet, pieces: Draws) -> None:
        self.sheet = sheet
        self.held: dict[Condition, Held] = {}
        rows: list[Held] = []
        for row in sheet.rows:
            held = np.ones(1, dtype=bool)
            for condition in row.conditions:
                if condition not in self.held:
                    self.held[condition] = holds(condition, pieces)
                held = held & self.held[condition]
            rows.append(held)
        self.holding = tuple(rows)
        self.row: NDArray[np.intp] = np.full(pieces.count, -1, dtype=np.intp)
        for index in range(len(rows) - 1, -1, -1):
            if rows[index].size > 1:
                self.row[rows[index]] = index
            elif rows[index][0]:
                self.row[:] = index
        ids = sheet.grade_ids
        grade_of_row = np.array([ids.index(row.grade) for row in sheet.rows])
        self.grade: NDArray[np.intp] = grade_of_row[self.row]

    def grade_p(self) -> NDArray[np.float64]:
        """Return the share of pieces in each grade, in the order of the sheet's grades."""
        counts = np.bincount(self.grade, minlength=len(self.sheet.grades))
        p: NDArray[np.float64] = counts / counts.sum()
        return p

    def row_p(self) -> NDArray[np.float64]:
        """Return the share of pieces that each row decides."""
        counts = np.bincount(self.row, minlength=len(self.sheet.rows))
        p: NDArray[np.float64] = counts / counts.sum()
        return p

    def alike(self, index: int) -> tuple[int, ...]:
        """Return the rows of a row's grade that ask about its findings (light, heavy corrosion)."""
        rows = self.sheet.rows

        def asks(row: Row) -> tuple[str, set[str]]:
            return row.grade, {condition.finding for condition in row.conditions}

        return tuple(n for n, row in enumerate(rows) if asks(row) == asks(rows[index]))

    def carried_p(self, *indices: int) -> float:
        """Return the share of pieces that have the grade of these rows, and for which one holds.

        So much of the grade stands on these rows' findings alone: more than they decided where an
        earlier row of the same grade held as well.
        """
        own = self.sheet.grade_ids.index(self.sheet.rows[indices[0]].grade)
        held = np.zeros(1, dtype=bool)
        for index in indices:
            held = held | self.holding[index]
        return float(np.mean((self.grade == own) & held))
