"""Words for grades, sizes and finishes."""

from __future__ import annotations

import pytest

from app.words import (
    confidence_words,
    finish_words,
    flag_words,
    form_words,
    grade_words,
    margin_words,
    sentence,
    size_words,
)
from rules.engine import Grading
from rules.findings import Finish, Form, FormFinding
from rules.sheet import load_sheet
from tests.vision.drawn_examination import findings, mm


def grading(p: dict[str, float], *, borderline: bool) -> Grading:
    best = max(p, key=lambda grade: p[grade])
    return Grading(
        suggested=best if p[best] >= 0.5 else None,
        confidence=p[best],
        p=p,
        borderline=borderline,
        settle=None,
        reasons=(),
        lifts=(),
        deciding=None,
        plausible=tuple(sorted((g for g in p if p[g] >= 0.15), key=lambda g: -p[g])),
    )


@pytest.mark.parametrize(
    ("p", "borderline", "grade", "confidence"),
    [
        ({"no1": 0.97, "no2": 0.03}, False, "No. 1", "sure, 97 %"),
        ({"no1": 0.88, "no2": 0.12}, False, "No. 1", "likely, 88 %"),
        ({"no1": 1.0, "no2": 0.0}, False, "No. 1", "sure, 99 %"),
        ({"no1": 0.6, "no2": 0.4}, True, "No. 1 or No. 2", "borderline, 60 %"),
        ({"no1": 0.12, "no2": 0.48, "bare_bright": 0.4}, True, "No. 2 or Bare bright", "48 %"),
        ({"no1": 0.95, "no2": 0.05}, True, "No. 1", "borderline, 95 %"),
    ],
)
def test_a_grade_is_told_with_how_sure_it_is(
    p: dict[str, float], borderline: bool, grade: str, confidence: str
) -> None:
    told = grading(p, borderline=borderline)
    assert grade_words(told, load_sheet("house")) == grade
    assert confidence_words(told).endswith(confidence)


# ASTM B258: 1.291 mm is 16 AWG, 2.053 mm is 12 AWG.
def test_sizes_carry_their_interval_and_gauge() -> None:
    wire = findings(Form.WIRE, diameter=mm(2.053, 0.02), strand=mm(2.053, 0.02))
    assert size_words(wire) == "diameter 2.05 mm (2.01 to 2.09), AWG 12.0"
    cable = findings(Form.STRANDED, diameter=mm(6.4, 0.05), strand=mm(1.291, 0.03))
    assert size_words(cable) == (
        "single strand 1.29 mm (1.23 to 1.35), AWG 16.0; bundle 6.40 mm (6.30 to 6.50)"
    )
    tube = findings(Form.TUBE, diameter=mm(28.575, 0.05))
    assert size_words(tube) == "outer diameter 28.6 mm (28.5 to 28.7)"
    assert size_words(findings(Form.TUBE)) is None


def test_a_size_without_doubt_has_no_interval() -> None:
    assert size_words(findings(Form.TUBE, diameter=mm(15.0, 0.0001))) == "outer diameter 15.00 mm"


def test_a_bundle_is_never_told_as_the_strand() -> None:
    cable = findings(Form.STRANDED, diameter=mm(6.4, 0.05))
    assert size_words(cable) == "bundle 6.40 mm (6.30 to 6.50)"


def test_a_stated_form_is_told_as_stated_and_a_seen_one_with_its_doubt() -> None:
    assert form_words(findings(Form.TUBE)) == "tube"
    stated = findings(Form.TUBE)
    object.__setattr__(stated, "form", FormFinding.of(Form.WIRE))
    assert form_words(stated) == "solid wire (stated)"
    unsure = findings(Form.TUBE)
    p = {Form.TUBE: 0.7, Form.WIRE: 0.3}
    object.__setattr__(unsure, "form", FormFinding(p=p))
    assert form_words(unsure) == "tube (70 %)"


def test_finishes_are_told_largest_first_and_traces_left_out() -> None:
    told = finish_words(findings(tarnish=0.3))
    assert told == f"82 % {Finish.BRIGHT}, 18 % {Finish.TARNISHED}; tarnish 0.30 of 1"


def test_flags_are_told_from_one_half_on() -> None:
    assert flag_words(findings(solder=0.49, brass=0.5)) == ("brass (50 %)",)
    assert flag_words(findings(solder=1.0)) == ("solder (99 %)",)


@pytest.mark.parametrize(
    ("margin", "told"),
    [
        (0.4, "inside the limit by less than its doubt"),
        (-0.96, "past the limit by less than its doubt"),
        (3.7, "inside the limit by 3.7 times its doubt"),
        (-12.0, "far past the limit"),
    ],
)
def test_a_margin_is_told_by_the_doubt(margin: float, told: str) -> None:
    assert margin_words(margin) == told


@pytest.mark.parametrize(
    ("text", "told"),
    [("wipe it", "Wipe it."), ("does it shine?", "Does it shine?"), (" Cut it. ", "Cut it.")],
)
def test_a_sentence_ends_with_one_mark(text: str, told: str) -> None:
    assert sentence(text) == told
