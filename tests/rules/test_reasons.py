"""Why this grade: margins in standard uncertainties and words, worked by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.engine import Grading, grade
from rules.findings import Findings, Form, Presence
from rules.reasons import _with_doubt, tarnish_words
from rules.sheet import load_sheet
from tests.rules.pieces import DULL, mm, piece, tube

HOUSE = load_sheet("house")
LIMIT_MM = 1.291
"""16 AWG: 0.127 mm x 92^(20/39) (ASTM B258)."""


def graded(findings: Findings) -> Grading:
    return grade(findings, HOUSE)


@pytest.mark.parametrize(("strand_mm", "u_mm"), [(1.391, 0.05), (1.331, 0.02), (2.291, 0.1)])
def test_the_margin_is_the_way_to_the_limit_in_standard_uncertainties(
    strand_mm: float, u_mm: float
) -> None:
    size = mm(strand_mm, u_mm)
    reason = graded(piece(diameter=size, strand=size)).reasons[0]
    expected = (strand_mm - LIMIT_MM) / u_mm
    assert reason.margin is not None
    # Another limit, such as the share that shines, may be nearer still.
    assert reason.margin <= expected + 0.02
    if expected < 3:
        assert reason.margin == pytest.approx(expected, abs=0.03)


def test_on_the_other_side_of_the_limit_the_margin_is_as_far() -> None:
    over, under = (
        graded(piece(diameter=mm(d, 0.02), strand=mm(d, 0.02)))
        for d in (LIMIT_MM + 0.04, LIMIT_MM - 0.04)
    )
    assert over.suggested == "bare_bright" and under.suggested == "no2"
    assert over.reasons[0].margin == pytest.approx(under.reasons[0].margin, abs=0.05)


def test_a_size_is_told_with_its_interval_and_its_limit() -> None:
    size = mm(1.35, 0.02)
    text = graded(piece(diameter=size, strand=size)).reasons[0].text
    assert "1.35 mm (1.31 to 1.39)" in text  # 1.96 x 0.02 to either side
    assert "limit 1.291 mm" in text


@pytest.mark.parametrize(
    ("level", "margin", "is_told"),
    # (0.75 - level) / 0.04 by hand; past three standard uncertainties nobody need hear of it.
    [(0.60, 3.75, False), (0.65, 2.5, True), (0.70, 1.25, True)],
)
def test_the_limit_of_another_grade_is_told_where_it_is_near(
    level: float, margin: float, *, is_told: bool
) -> None:
    reason = graded(tube(shares=DULL, level=level)).reasons[0]
    assert reason.row == "clean-tube"
    assert reason.margin == pytest.approx(margin)
    assert (f"{level:.2f} of 1), limit 0.75" in reason.text) is is_told


def test_past_the_limit_both_sides_tell_it_with_opposite_signs() -> None:
    heavy, clean = graded(tube(shares=DULL, level=0.80)).reasons[:2]
    assert (heavy.row, clean.row) == ("heavy-tarnish", "clean-tube")
    assert heavy.margin == pytest.approx(1.25)
    assert clean.margin == pytest.approx(-1.25)


def test_a_size_that_was_not_measured_has_no_margin() -> None:
    bundle = piece(Form.STRANDED, diameter=mm(6.0))
    for reason in graded(bundle).reasons:
        assert reason.margin is None or "not measured" not in reason.text


def test_no_row_carries_more_than_its_grade_has() -> None:
    # A row holds and the piece has its grade: never likelier than the grade (P(A and B) <= P(B)).
    told = graded(piece(diameter=mm(1.30, 0.02), strand=mm(1.30, 0.02), solder=0.3))
    assert told.suggested is not None
    grade_of = {row.id: row.grade for row in HOUSE.rows}
    assert len(told.reasons) > 1
    for reason in told.reasons:
        assert 0 < reason.p <= told.p[grade_of[reason.row]] + 1e-9


@pytest.mark.parametrize(
    ("p", "told"),
    [
        (0.99, {"Solder is on the piece"}),
        (0.8, {"Probably solder is on the piece", "Perhaps clean copper tube; tube is never"}),
        (0.3, {"Perhaps solder is on the piece", "Probably clean copper tube; tube is never"}),
    ],
)
def test_how_likely_a_reason_is_stands_in_a_word_before_it(p: float, told: set[str]) -> None:
    texts = {reason.text[: len(max(told, key=len))] for reason in graded(tube(solder=p)).reasons}
    assert {text.split(" bare")[0] for text in texts} == told


def test_a_reason_is_no_less_sure_in_words_than_its_grade_in_figures() -> None:
    # 0.946 is told as 95 %, which is sure: a reason that carries as much has no 'probably'.
    assert _with_doubt("Mostly brass: sold as brass", 0.946) == "Mostly brass: sold as brass"
    assert _with_doubt("Mostly brass: sold as brass", 0.944).startswith("Probably mostly")
    assert _with_doubt("AWG is told", 0.3) == "Perhaps AWG is told"


def test_beside_brass_what_lies_on_the_copper_is_told_by_its_share_of_that() -> None:
    """22 % of the piece are 31 % of the 71 % that are copper: past the limit of 30 %."""
    none, green = Presence(p=0.0), Presence(p=0.99, share=0.22, u_share=0.02)
    seen = replace(
        tube(shares=DULL, level=0.35, brass=0.99, brass_share=0.29),
        green=green,
        coating=none,
        tin=none,
    )
    told = next(reason.text for reason in graded(seen).reasons if "green" in reason.row)
    assert "Heavy green corrosion. Green corrosion on about 31 % of its copper, limit 30 %" in told


def test_a_reason_is_not_told_with_what_speaks_against_it() -> None:
    """A coat on most of it, if there is one: with its share and limit no tube would be clean."""
    coat = Presence(p=0.6, share=0.8, u_share=0.05)
    enamelled, clean = graded(replace(tube(shares=DULL, level=0.35), coating=coat)).reasons[:2]
    assert "If there, coating on about 80 % of it, limit 15 %" in enamelled.text
    assert clean.text.endswith("Only without coating")
    assert clean.margin is None or clean.margin > 0


@pytest.mark.parametrize(
    ("share", "row", "limits"),
    [(0.20, "green", "limits 8 and 30 %"), (0.60, "heavy-green", "limit 30 %")],
)
def test_light_and_heavy_corrosion_are_one_reason_and_the_likelier_is_told(
    share: float, row: str, limits: str
) -> None:
    green, none = Presence(p=0.99, share=share, u_share=0.1), Presence(p=0.0)
    seen = replace(tube(shares=DULL, level=0.35), green=green, coating=none, tin=none)
    told = [reason for reason in graded(seen).reasons if "green" in reason.row]
    assert [reason.row for reason in told] == [row]
    assert f"Green corrosion on about {100 * share:.0f} % of it, {limits}" in told[0].text


@pytest.mark.parametrize(
    ("level", "words"),
    [
        (0.0, "fresh metal"),
        (0.25, "a light film"),
        (0.5, "a dull penny"),
        (0.75, "dark brown metal"),
        (1.0, "black-brown metal"),
        (-3.0, "fresh metal"),
        (7.0, "black-brown metal"),
    ],
)
def test_tarnish_is_told_by_the_scale_of_the_design(level: float, words: str) -> None:
    assert tarnish_words(level) == words
