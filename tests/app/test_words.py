"""Words for grades, sizes and finishes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from app.words import (
    ASSUMED_WORDS,
    absent_words,
    assumed_words,
    confidence_words,
    finish_words,
    form_words,
    grade_words,
    is_sure,
    margin_words,
    presence_words,
    seen_words,
    size_words,
    told_reasons,
)
from rules.engine import Grading
from rules.findings import Facts, Finish, Form, FormFinding, Origin, Presence, What
from rules.reasons import Reason
from rules.sentences import sentence
from rules.sheet import load_sheet
from rules.vocabulary import FACT_NAMES
from tests.rules.pieces import piece
from tests.vision.drawn_examination import findings, mm


def grading(p: dict[str, float], *, borderline: bool, guess: bool = False) -> Grading:
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
        guess=guess,
    )


@pytest.mark.parametrize(
    ("p", "borderline", "grade", "confidence"),
    [
        ({"no1": 0.97, "no2": 0.03}, False, "No. 1", "sure, 97 %"),
        ({"no1": 0.88, "no2": 0.12}, False, "No. 1", "likely, 88 %"),
        ({"no1": 1.0, "no2": 0.0}, False, "No. 1", "sure, 99 %"),
        ({"no1": 0.6, "no2": 0.4}, True, "No. 1 or No. 2", "borderline, 60 %"),
        ({"no1": 0.12, "no2": 0.48, "bare_bright": 0.4}, True, "No. 2 or Bare bright", "48 %"),
        ({"no1": 0.2, "no2": 0.41, "bare_bright": 0.39}, True, "Perhaps No. 2", "open, 41 %"),
        ({"no1": 0.95, "no2": 0.05}, True, "No. 1", "needs a check, 95 %"),
    ],
)
def test_a_grade_is_told_with_how_sure_it_is(
    p: dict[str, float], borderline: bool, grade: str, confidence: str
) -> None:
    told = grading(p, borderline=borderline)
    assert grade_words(told, load_sheet("house")) == grade
    assert confidence_words(told).endswith(confidence)


@pytest.mark.parametrize("confidence", [0.9449, 0.945, 0.9451, 0.9499, 0.95, 0.9551])
def test_likely_and_sure_never_show_the_same_figure(confidence: float) -> None:
    told = grading({"no1": confidence, "no2": 1 - confidence}, borderline=False)
    word, percent = confidence_words(told).removesuffix(" %").split(", ")
    assert (word == "sure") is (int(percent) >= 95)
    assert is_sure(told) is (word == "sure")


def test_what_is_set_aside_is_told_with_the_line_that_buys_it() -> None:
    told = replace(grading({"set_aside": 0.97, "no2": 0.03}, borderline=False), line="brass")
    assert grade_words(told, load_sheet("house")) == "Set aside: brass"


def test_what_is_unlike_anything_known_is_told_as_a_guess() -> None:
    told = grading({"no1": 0.62, "no2": 0.38}, borderline=True, guess=True)
    assert grade_words(told, load_sheet("house")) == "Looks like No. 1"
    assert "guess" in confidence_words(told)
    assert "unlike what the tool knows" in confidence_words(told)
    assert not is_sure(told)


# ASTM B258: 1.291 mm is 16 AWG, 2.053 mm is 12 AWG.
def test_sizes_carry_their_interval_and_gauge() -> None:
    wire = findings(Form.WIRE, diameter=mm(2.053, 0.02), strand=mm(2.053, 0.02))
    assert size_words(wire) == "diameter 2.05 mm (2.01 to 2.09), about 12 AWG"
    cable = findings(Form.STRANDED, diameter=mm(6.4, 0.05), strand=mm(1.291, 0.03))
    assert size_words(cable) == (
        "single strand 1.29 mm (1.23 to 1.35), about 16 AWG; bundle 6.40 mm (6.30 to 6.50)"
    )
    tube = findings(Form.TUBE, diameter=mm(28.575, 0.05))
    assert size_words(tube) == "outer diameter 28.6 mm (28.5 to 28.7)"
    assert size_words(findings(Form.TUBE)) is None
    lone = replace(findings(Form.WIRE), width_between_mm=(0.42, 1.26))
    assert size_words(lone) == "0.4 to 1.3 mm thick by its outline"
    tangle = replace(findings(Form.WIRE), width_between_mm=(0.1, 2.44))
    assert size_words(tangle) == "at most 2.4 mm thick by its outline"
    measured = replace(findings(Form.TUBE, diameter=mm(28.6, 0.05)), width_between_mm=(20.0, 30.0))
    assert size_words(measured) == "outer diameter 28.6 mm (28.5 to 28.7)"


def test_a_jacket_has_no_gauge() -> None:
    """A gauge is of the conductor (ASTM B258), and what was measured is the outside."""
    cord = findings(Form.WIRE, diameter=mm(2.053, 0.02), strand=mm(2.053, 0.02))
    object.__setattr__(cord, "facts", Facts(insulation=True))
    assert size_words(cord) == "diameter 2.05 mm (2.01 to 2.09)"


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
    assert (
        told
        == f"82 % {Finish.BRIGHT}, 18 % {Finish.TARNISHED}; tarnish like a light film (0.30 of 1)"
    )


def test_the_bare_metal_is_told_apart_from_what_lies_on_it() -> None:
    wire = replace(findings(tarnish=0.3), coating=Presence(p=0.03))
    assert (
        finish_words(wire) == "tarnish like a light film (0.30 of 1), 82 % of the bare metal shines"
    )
    assert wire.finish is not None
    jacket = replace(wire.finish, shares={Finish.COATED: 1.0})
    assert finish_words(replace(wire, finish=jacket)) == "no bare metal in sight"


@pytest.mark.parametrize(
    ("flag", "told"),
    [
        (Presence(p=0.03), "none seen"),
        (Presence(p=0.08), "none seen (92 %)"),
        (Presence(p=0.3, share=0.8), "not ruled out (30 %)"),
        (Presence(p=0.72, share=0.8), "probably there (72 %), on about 80 % of it"),
        (Presence(p=0.97, share=0.33), "there, on about 33 % of it"),
        (Presence(p=1.0, share=1.0, origin=Origin.STATED), "there (stated), on about 100 % of it"),
        (Presence(p=0.0, origin=Origin.STATED), "none"),
    ],
)
def test_presence_is_told_before_its_share(flag: Presence, told: str) -> None:
    assert presence_words(replace(findings(), coating=flag), What.COATING) == told


@pytest.mark.parametrize(("p", "told"), [(0.97, "yes"), (0.56, "probably (56 %)")])
def test_what_the_whole_piece_is_is_not_there_on_it(p: float, told: str) -> None:
    flag = Presence(p=p, share=1.0, u_share=0.0, origin=Origin.MEASURED)
    assert presence_words(replace(findings(), not_metal=flag), What.NOT_METAL) == told


def test_what_nobody_told_of_has_no_words() -> None:
    assert presence_words(findings(), What.COATING) is None


def test_what_is_there_comes_before_what_is_not() -> None:
    found = replace(
        findings(solder=0.3, brass=0.97), coating=Presence(p=0.02), not_metal=Presence(p=0.2)
    )
    assert seen_words(found) == (
        "brass: there, on about 10 % of it",
        "solder: not ruled out (30 %)",
        "no metal at all: not ruled out (20 %)",
    )
    assert absent_words(found) == "none seen: coating"


@pytest.mark.parametrize(
    ("margin", "told"),
    [
        (0.4, " (too near the limit to tell)"),
        (-0.96, " (too near the limit to tell)"),
        (-1.2, " (near the limit)"),
        (1.9, " (near the limit)"),
        (2.2, ""),
        (-12.0, ""),
        (None, ""),
    ],
)
def test_a_margin_is_told_in_words(margin: float | None, told: str) -> None:
    assert margin_words(margin) == told


@pytest.mark.parametrize(
    ("text", "told"),
    [("wipe it", "Wipe it."), ("does it shine?", "Does it shine?"), (" Cut it. ", "Cut it.")],
)
def test_a_sentence_ends_with_one_mark(text: str, told: str) -> None:
    assert sentence(text) == told


def because(row: str, text: str) -> Reason:
    return Reason(row=row, text=text, margin=None, p=0.5)


def test_between_grades_the_first_reason_of_each_comes_first_with_its_grade() -> None:
    sheet = load_sheet("house")
    rows = [next(row.id for row in sheet.rows if row.grade == g) for g in ("no2", "set_aside")]
    reasons = (
        because(rows[0], "Paint on it"),
        because(rows[0], "Thin strands"),
        because(rows[1], "In its jacket"),
    )
    told = replace(grading({"no2": 0.6, "set_aside": 0.4}, borderline=True), reasons=reasons)
    assert told_reasons(told, sheet) == (
        "For No. 2: Paint on it",
        "For Set aside: In its jacket",
        "For No. 2: Thin strands",
    )
    decided = replace(told, borderline=False)
    assert told_reasons(decided, sheet) == (
        "Paint on it",
        "Thin strands",
        "For Set aside: In its jacket",
    )


def test_what_is_taken_for_granted_is_told_in_words_for_every_fact() -> None:
    plain = grading({"no1": 1.0}, borderline=False)
    bare = piece()
    assert assumed_words(plain, bare) is None
    taken = replace(plain, assumed=("magnet", "paint", "enamel"))
    assert assumed_words(taken, bare) == "no magnet sticks, no paint, no clear enamel"
    coated = replace(bare, coating=Presence(p=0.2, share=0.9))
    assert assumed_words(taken, coated) == "no magnet sticks"
    assert set(ASSUMED_WORDS) == {*FACT_NAMES, "insulation"}
