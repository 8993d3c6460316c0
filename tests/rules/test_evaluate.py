"""Conditions over many pieces at once, against the same asked one by one."""

from __future__ import annotations

import operator
from typing import Any

import numpy as np
import pytest

from rules.draws import draw_pieces
from rules.evaluate import Evaluation, holds
from rules.findings import Form, Unit
from rules.sheet import Comparison, Condition, load_sheet
from rules.vocabulary import VOCABULARY
from tests.rules.pieces import mm, piece

PIECES = draw_pieces(
    piece(dict.fromkeys(Form, 0.2), diameter=mm(1.3, 0.2), brass=0.5, shares=None), draws=400
)
FORMS = tuple(Form)


@pytest.mark.parametrize(
    ("comparison", "same"),
    [
        (Comparison.AT_LEAST, operator.ge),
        (Comparison.MORE_THAN, operator.gt),
        (Comparison.AT_MOST, operator.le),
        (Comparison.BELOW, operator.lt),
    ],
)
def test_numbers_compare_as_their_names_say(comparison: Comparison, same: object) -> None:
    sizes = PIECES.columns["diameter"]
    on_it = float(sizes[7])  # one piece lies exactly on the limit
    condition = Condition(
        finding="diameter", comparison=comparison, threshold=on_it, unit=Unit.MILLIMETRE
    )
    expected = [same(float(size), on_it) for size in sizes]  # type: ignore[operator]
    assert holds(condition, PIECES).tolist() == expected


def test_names_and_flags_compare_as_their_names_say() -> None:
    forms = [FORMS[i] for i in PIECES.columns["form"]]
    for comparison, names, expected in (
        (Comparison.IS, ("tube",), [f == "tube" for f in forms]),
        (Comparison.IS_NOT, ("tube",), [f != "tube" for f in forms]),
        (Comparison.ONE_OF, ("wire", "sheet"), [f in ("wire", "sheet") for f in forms]),
    ):
        condition = Condition(finding="form", comparison=comparison, threshold=names)
        assert holds(condition, PIECES).tolist() == expected
    for wanted in (True, False):
        condition = Condition(finding="brass", comparison=Comparison.IS, threshold=wanted)
        assert holds(condition, PIECES).tolist() == [b == wanted for b in PIECES.columns["brass"]]


@pytest.mark.parametrize("name", ["house", "circular-2017", "circular-before-2017"])
def test_the_first_row_that_holds_decides_each_piece(name: str) -> None:
    sheet = load_sheet(name)
    evaluation = Evaluation(sheet, PIECES)
    for number in range(PIECES.count):
        own: dict[str, Any] = {
            n: np.broadcast_to(PIECES.columns[n], (PIECES.count,))[number : number + 1]
            for n in VOCABULARY
        }
        one = PIECES.with_columns(own)
        first = next(
            index
            for index, row in enumerate(sheet.rows)
            if all(bool(holds(c, one)[0]) for c in row.conditions)
        )
        assert evaluation.row[number] == first
        assert sheet.grade_ids[evaluation.grade[number]] == sheet.rows[first].grade
    assert evaluation.grade_p().sum() == pytest.approx(1)
    assert evaluation.row_p().sum() == pytest.approx(1)
