"""The JSON of one photo, read back as a script reads it; sums and formulas by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from math import isfinite, log, nan
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.grading import GradedPiece, Result, grade_examination, grade_typed
from app.json_lines import _problem, as_line, as_object, json_number
from app.request import Request
from rules.findings import Form
from rules.sheet import load_sheet
from rules.typed import TypedPiece
from tests.vision.drawn_examination import examination, findings, mm
from vision.types import LeftOut, Problem, Why

REQUEST = Request(sheet=load_sheet("house"))


def told(*, pieces: int = 3, scale: bool = True) -> Result:
    return grade_examination(examination(size=(300, 400), pieces=pieces, scale=scale), REQUEST)


def read_back(result: Result) -> dict[str, Any]:
    """RFC 8259: no NaN, no infinity, one line, and ASCII for any terminal."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is no JSON")

    line = as_line(result)
    assert line.isascii() and "\n" not in line
    read: dict[str, Any] = json.loads(line, parse_constant=refuse)
    return read


@given(st.floats(), st.integers(0, 6))
def test_a_number_is_rounded_or_null_and_never_minus_nothing(value: float, digits: int) -> None:
    number = json_number(value, digits)
    if not isfinite(value):
        assert number is None
    else:
        assert number is not None
        assert number == pytest.approx(value, abs=0.51 * 10**-digits, rel=1e-12)
        assert str(number) != "-0.0"


def test_numpys_numbers_become_plain_ones() -> None:
    assert type(json_number(np.float32(1.25), 2)) is float  # type: ignore[arg-type]
    assert json_number(nan, 2) is None


def test_the_gauge_is_that_of_the_standard() -> None:
    # ASTM B258: gauge n has a diameter of 0.127 mm x 92^((36 - n) / 39).
    wire = read_back(told())["pieces"][1]
    assert wire["strand_diameter_mm"]["value"] == 2.21
    assert wire["awg"] == pytest.approx(36 - 39 * log(2.21 / 0.127) / log(92), abs=0.06)


def test_a_measured_size_has_its_doubt_and_its_interval() -> None:
    tube = read_back(told())["pieces"][0]
    assert tube["diameter_mm"]["value"] == 15.02
    assert tube["diameter_mm"]["u"] == 0.04
    assert tube["diameter_mm"]["low95"] == pytest.approx(15.02 - 1.96 * 0.04, abs=1e-3)
    assert tube["diameter_mm"]["high95"] == pytest.approx(15.02 + 1.96 * 0.04, abs=1e-3)
    assert tube["strand_diameter_mm"] is None and tube["awg"] is None


def test_chances_add_up_to_one() -> None:
    for piece in read_back(told())["pieces"]:
        assert sum(piece["form"]["p"].values()) == pytest.approx(1, abs=1e-3)
        assert sum(piece["grade"]["p"].values()) == pytest.approx(1, abs=1e-3)
        assert sum(piece["finish"]["shares"].values()) == pytest.approx(1, abs=1e-3)
        grade = piece["grade"]
        assert grade["suggested"] in grade["p"]
        assert grade["p"][grade["suggested"]] == max(grade["p"].values())


def test_boxes_and_outlines_lie_on_the_photo() -> None:
    read = read_back(told())
    width, height = read["photo"]["width_px"], read["photo"]["height_px"]
    assert (width, height) == (400, 300)
    for piece in read["pieces"]:
        x, y, w, h = piece["box_px"]
        assert x >= 0 and y >= 0 and x + w <= width and y + h <= height
        xs, ys = zip(*piece["outline_px"], strict=True)
        assert min(xs) >= x - 1 and max(xs) <= x + w and min(ys) >= y - 1 and max(ys) <= y + h


def test_what_was_seen_is_told_once_as_flag_and_once_among_all() -> None:
    tube = read_back(told())["pieces"][0]
    assert tube["brass"]["p"] == tube["seen"]["brass"]["p"]
    assert tube["brass"]["boxes_px"] == tube["seen"]["brass"]["boxes_px"] != []
    assert tube["seen"]["insulation"] is None, "nobody looked for one"


def test_without_a_scale_the_scale_is_null_and_the_problem_has_its_fix() -> None:
    read = read_back(told(scale=False))
    assert read["scale"] is None
    (problem,) = read["problems"]
    assert problem["code"] == "no_reference" and problem["fix"]
    assert read_back(told())["scale"]["mm_per_px"] == pytest.approx(0.5)  # 0.1 mm at five times


def test_findings_typed_by_hand_have_no_place_on_a_photo() -> None:
    typed = [TypedPiece(name="Rohr ü", findings=findings(Form.TUBE, diameter=mm(15, 0.1)))]
    read = read_back(grade_typed(typed, REQUEST, name="by hand"))
    assert read["photo"]["sha256"] is None and read["photo"]["width_px"] is None
    (piece,) = read["pieces"]
    assert piece["box_px"] is None and piece["outline_px"] is None
    assert piece["name"] == "Rohr ü"
    assert read["flash"] is None and read["left_out"] == []


def test_what_was_left_out_says_why_and_where() -> None:
    drawn = examination(size=(300, 400), pieces=1)
    outline = np.array([[10.0, 10], [40, 10], [40, 30], [10, 30]])
    seen = replace(drawn, left_out=(LeftOut(outline_px=outline, why=Why.SHORT),))
    (left,) = read_back(grade_examination(seen, REQUEST))["left_out"]
    assert left["why"] == "short"
    assert [10.0, 10.0] in left["outline_px"]


def test_a_margin_that_does_not_exist_is_null() -> None:
    result = told(pieces=1)
    (piece,) = result.pieces
    reasons = tuple(replace(reason, margin=None) for reason in piece.grading.reasons)
    bare = GradedPiece(
        findings=piece.findings, grading=replace(piece.grading, reasons=reasons), reading=None
    )
    object_ = as_object(replace(result, pieces=(bare,)))
    assert {reason["margin"] for reason in object_["pieces"][0]["grade"]["reasons"]} == {None}


def test_measured_numbers_never_come_as_nan() -> None:
    assert json_number(float("nan"), 3) is None
    assert json_number(float("inf"), 3) is None
    value = json_number(np.float64(1.23456), 3)
    assert type(value) is float
    assert value == 1.235
    assert str(json_number(-0.0001, 2)) == "0.0"


def test_problems_are_told_with_their_fix() -> None:
    problem = _problem(Problem(code="a", text="b", fix="c", pieces=(2, 3)))
    assert problem == {"code": "a", "text": "b", "fix": "c", "pieces": [2, 3]}
