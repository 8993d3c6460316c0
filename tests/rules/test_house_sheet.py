"""The house sheet against what yards do.

Every fact here is common practice, no source, unless said otherwise; 16 AWG is by
ASTM B258 (1.2908 mm, printed 1.291).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.engine import grade
from rules.findings import CutEnd, Findings, Finish, Form, Magnet, Presence
from rules.gauge import mm_from_awg
from rules.sheet import load_sheet
from tests.rules.pieces import DULL, mm, piece, tube

HOUSE = load_sheet("house")


@pytest.mark.parametrize(
    ("what", "findings", "expected"),
    [
        ("bright wire of 2 mm", piece(), "bare_bright"),
        ("bright cable of thick strands", piece(Form.STRANDED, strand=mm(1.56)), "bare_bright"),
        ("bright tube is never bare bright", tube(), "no1"),
        ("dull penny tube", tube(shares=DULL, level=0.5), "no1"),
        ("dull penny wire", piece(shares=DULL, level=0.5), "no1"),
        ("wire with a light film past shiny", piece(shares=DULL, level=0.4), "no1"),
        ("black-brown tube", tube(shares=DULL, level=0.95), "no2"),
        ("black-brown wire", piece(shares=DULL, level=0.95), "no2"),
        ("green tube", tube(shares={Finish.GREEN: 0.5, Finish.TARNISHED: 0.5}, level=0.5), "no2"),
        ("thin bright strands", piece(Form.STRANDED, strand=mm(0.5)), "no2"),
        ("thin bright wire", piece(diameter=mm(0.8)), "no2"),
        ("enamelled wire, stated", piece(enamel=True), "no2"),
        ("enamelled wire, seen", piece(shares={Finish.COATED: 1.0}, level=0.2), "no2"),
        ("motor wire", piece(motor_wire=True), "no2"),
        ("painted tube", tube(paint=True), "no2"),
        ("oily wire", piece(oil=True), "no2"),
        ("tinned wire", piece(shares={Finish.TINNED: 1.0}, level=0.2), "no2"),
        ("soldered tube", tube(solder=1.0), "no2"),
        ("tube with a brass end", tube(brass=1.0), "no2"),
        ("sheet", piece(Form.SHEET), "set_aside"),
        ("insulated wire", piece(insulation=True), "set_aside"),
        ("a magnet sticks to it", piece(magnet=Magnet.STICKS), "set_aside"),
        ("not copper through", piece(cut_end=CutEnd.OTHER), "set_aside"),
        ("a brass valve", piece(Form.OTHER, brass=1.0, brass_share=0.95), "set_aside"),
        ("a lump of no known shape", piece(Form.OTHER), "set_aside"),
    ],
)
def test_yard_cases(what: str, findings: Findings, expected: str) -> None:
    grading = grade(findings, HOUSE)
    assert grading.suggested == expected, f"{what}: {grading.p}"
    assert not grading.borderline, f"{what}: {grading.p}"
    assert grading.settle is None


@pytest.mark.parametrize(("awg", "expected"), [(15, "bare_bright"), (17, "no2")])
def test_a_gauge_beside_sixteen_is_decided_at_two_percent(awg: int, expected: str) -> None:
    diameter = mm_from_awg(awg)  # ASTM B258: 1.450 and 1.150 mm
    grading = grade(piece(diameter=mm(diameter, 0.02 * diameter)), HOUSE)
    assert grading.suggested == expected
    assert not grading.borderline


def test_sixteen_gauge_itself_is_borderline_and_a_caliper_settles_it() -> None:
    grading = grade(piece(diameter=mm(mm_from_awg(16), 0.02)), HOUSE)
    assert grading.borderline
    assert grading.confidence == pytest.approx(0.5, abs=0.03)
    assert grading.deciding == "strand_diameter"
    assert grading.settle is not None
    assert "caliper" in grading.settle
    assert "1.291" in grading.settle


@pytest.mark.parametrize("u", [0.005, 0.01, 0.02, 0.04])
def test_six_percent_from_the_limit_the_side_is_right(u: float) -> None:
    # Whatever the doubt: never decided for the wrong side.
    thick, thin = (grade(piece(diameter=mm(1.291 * f, u)), HOUSE) for f in (1.07, 0.93))
    assert thick.suggested == "bare_bright"
    assert thin.suggested == "no2"


def test_seven_strands_of_8_awg_are_no_2_and_of_6_awg_bare_bright() -> None:
    # Strand sizes by equal area, as ASTM B8 lays them; see tests/data/stranding.csv.
    eight = grade(piece(Form.STRANDED, strand=mm(1.2335, 0.01)), HOUSE)
    six = grade(piece(Form.STRANDED, strand=mm(1.5555, 0.01)), HOUSE)
    assert (eight.suggested, six.suggested) == ("no2", "bare_bright")


def test_a_stray_green_spot_costs_nothing_and_a_tenth_costs_the_grade() -> None:
    spot = {Finish.GREEN: 0.02, Finish.TARNISHED: 0.98}
    patch = {Finish.GREEN: 0.15, Finish.TARNISHED: 0.85}
    assert grade(tube(shares=spot, level=0.4), HOUSE).suggested == "no1"
    assert grade(tube(shares=patch, level=0.4), HOUSE).suggested == "no2"


@pytest.mark.parametrize(
    ("fact", "line"),
    [
        ({"magnet": Magnet.STICKS}, "copper-clad"),
        ({"cut_end": CutEnd.OTHER}, "not copper through"),
        ({"insulation": True}, "insulated wire"),
    ],
)
def test_set_aside_says_which_line_buys_it(fact: dict[str, Any], line: str) -> None:
    assert line in grade(piece(**fact), HOUSE).reasons[0].text


def test_another_metal_is_set_aside_however_bright() -> None:
    # Common practice, no source: a yard pays no copper price for zinc, steel or aluminium.
    for shape in (piece(), tube()):
        zinc = replace(shape, other_metal=Presence(p=1.0))
        told = grade(zinc, HOUSE)
        assert told.suggested == "set_aside"
        assert told.reasons[0].row == "no-copper"
    unsure = grade(replace(tube(), other_metal=Presence(p=0.4)), HOUSE)
    assert unsure.borderline
    assert unsure.deciding == "other_metal"
    assert unsure.settle is not None
    assert "file a spot" in unsure.settle.lower()


def test_sheet_is_told_as_light_copper_and_a_valve_as_brass() -> None:
    assert "light copper" in grade(piece(Form.SHEET), HOUSE).reasons[0].text
    valve = piece(Form.OTHER, brass=1.0, brass_share=0.9)
    assert "sold as brass" in grade(valve, HOUSE).reasons[0].text


def test_nothing_is_cut_off_a_valve_that_is_all_brass() -> None:
    # Common practice, no source: brass alone is sold as brass.
    assert grade(piece(Form.OTHER, brass=1.0, brass_share=1.0), HOUSE).lifts == ()
    assert grade(piece(Form.TUBE, brass=1.0, brass_share=0.3), HOUSE).lifts


def test_a_share_of_brass_at_the_limit_leaves_the_grade_open() -> None:
    # The limit is 0.60 of what is seen (common practice, no source).
    for share in (0.58, 0.62):
        assert grade(piece(Form.TUBE, brass=1.0, brass_share=share), HOUSE).borderline
    assert not grade(piece(Form.TUBE, brass=1.0, brass_share=0.8), HOUSE).borderline
