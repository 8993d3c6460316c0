"""The trade association's circular, by code word, as truth tables.

Sources, read on secondary pages and paraphrased: the association's public notice of
March 2017 and a trade report of it (since 2017 no gauge number in Barley and Berry, no
wire in Candy); a dealer's copy of the older texts (Berry not smaller than No. 16 B&S,
1.291 mm; Candy wire at least 1/16 in, 1.5875 mm); a trade report of 2014 (unsoldered
tube for No. 1, bare bright not thinner than No. 16); dealers' pages for Birch, Dream and
Druid. Tarnish and share limits are common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from rules.engine import grade
from rules.findings import CutEnd, Findings, Finish, Form, Magnet
from rules.sheet import load_sheet
from tests.rules.pieces import DULL, mm, piece, tube

THEN = load_sheet("circular-before-2017")
NOW = load_sheet("circular-2017")
GREEN = {Finish.GREEN: 0.5, Finish.TARNISHED: 0.5}


@pytest.mark.parametrize(
    ("findings", "then", "now"),
    [
        (piece(), "barley", "barley"),
        (piece(shares=DULL, level=0.5), "candy", "berry"),  # Candy lost its wire clause
        (piece(shares=DULL, level=0.5, diameter=mm(1.45)), "berry", "berry"),  # under 1/16 in
        (piece(shares=DULL, level=0.5, diameter=mm(1.0)), "birch", "berry"),  # under No. 16
        (piece(diameter=mm(1.0)), "birch", "barley"),
        (piece(Form.STRANDED, strand=mm(0.5)), "birch", "barley"),
        (piece(Form.STRANDED, strand=mm(2.0), shares=DULL, level=0.5), "berry", "berry"),
        (piece(shares={Finish.TINNED: 1.0}), "birch", "birch"),  # Berry: untinned
        (piece(shares={Finish.COATED: 1.0}), "birch", "birch"),  # Berry: uncoated
        (piece(enamel=True), "birch", "birch"),
        (piece(shares=GREEN, level=0.5), "birch", "birch"),  # green by agreement only
        (piece(solder=1.0), "birch", "birch"),
        (tube(), "candy", "candy"),  # clean tubing, never a wire line however bright
        (tube(shares=DULL, level=0.5), "candy", "candy"),
        (piece(Form.OTHER), "candy", "candy"),  # bus bar, clippings, punchings
        (tube(solder=1.0), "cliff", "cliff"),
        (tube(paint=True), "cliff", "cliff"),
        (tube(shares={Finish.TINNED: 1.0}), "cliff", "cliff"),
        (tube(brass=1.0), "outside", "outside"),  # Cliff: no non-copper connections
        (piece(Form.SHEET), "dream", "dream"),
        (piece(insulation=True), "druid", "druid"),
        (piece(magnet=Magnet.STICKS), "outside", "outside"),
        (piece(cut_end=CutEnd.OTHER), "outside", "outside"),
    ],
)
def test_truth_table(findings: Findings, then: str, now: str) -> None:
    for sheet, expected in ((THEN, then), (NOW, now)):
        grading = grade(findings, sheet)
        assert grading.suggested == expected, f"{sheet.name}: {grading.p}"
        assert not grading.borderline


def test_the_circular_of_2017_holds_no_gauge_until_one_is_agreed(tmp_path: Path) -> None:
    assert NOW.limits["gauge"].value == 0
    thin = piece(diameter=mm(1.0))
    assert grade(thin, NOW).suggested == "barley"
    agreed = tmp_path / "buyer.toml"
    agreed.write_text(
        'schema = "cuproscope.rules/1"\nname = "agreed"\nbased_on = "circular-2017"\n'
        '[limit.gauge]\nvalue = 1.291\nunit = "mm"\n',
        encoding="utf-8",
    )
    assert grade(thin, load_sheet(agreed)).suggested == "birch"


def test_the_gauges_before_2017_are_16_bs_and_a_sixteenth_of_an_inch() -> None:
    assert THEN.limits["gauge"].value == 1.291
    assert THEN.limits["heavy_gauge"].value == 25.4 / 16


def test_only_what_was_verified_has_a_grade() -> None:
    # Clove, Cobra, Honey and Ocean are from memory, so no row gives them.
    for sheet in (THEN, NOW):
        assert set(sheet.grade_ids) == {
            "barley", "berry", "candy", "birch", "cliff", "dream", "druid", "outside",
        }  # fmt: skip


def test_the_assay_figures_are_those_of_the_notice() -> None:
    # Birch and Cliff nominal 96 %, minimum 94 %; Dream nominal 92 %, minimum 88 %.
    for sheet in (THEN, NOW):
        notes = {grade.id: grade.note for grade in sheet.grades}
        for code, figures in {"birch": "96 94", "cliff": "96 94", "dream": "92 88"}.items():
            assert all(figure in notes[code] for figure in figures.split())
