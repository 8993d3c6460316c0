"""Cautions come where they apply; their sources stand beside the texts."""

from __future__ import annotations

import pytest

from rules.cautions import (
    APPLIANCE,
    CUTS,
    DUST,
    FIRE,
    LEAD,
    REFRIGERANT,
    SELLING,
    cautions,
)
from rules.engine import grade
from rules.findings import Findings, Finish, Form, Magnet
from rules.sheet import load_sheet
from tests.rules.pieces import mm, piece, tube

HOUSE = load_sheet("house")
GREEN = {Finish.GREEN: 0.15, Finish.TARNISHED: 0.85}


@pytest.mark.parametrize(
    ("findings", "told"),
    [
        (piece(), {SELLING}),
        (tube(), {REFRIGERANT, SELLING}),
        (tube(solder=0.9), {LEAD, CUTS, REFRIGERANT, SELLING}),
        (tube(brass=0.9), {CUTS, REFRIGERANT, SELLING}),
        (tube(shares=GREEN, level=0.4), {DUST, REFRIGERANT, SELLING}),
        (piece(insulation=True), {FIRE, CUTS, SELLING}),
        (piece(enamel=True), {FIRE, SELLING}),
        (piece(shares={Finish.COATED: 1.0}), {FIRE, SELLING}),
        (piece(motor_wire=True), {FIRE, REFRIGERANT, APPLIANCE, SELLING}),
        (piece(Form.STRANDED, strand=mm(1.0), magnet=Magnet.STICKS), {APPLIANCE, SELLING}),
    ],
)
def test_cautions_come_where_they_apply(findings: Findings, told: set[str]) -> None:
    assert set(cautions(findings, grade(findings, HOUSE))) == told


def test_a_small_chance_of_solder_is_enough_to_warn_of_lead() -> None:
    for p, warned in ((0.15, True), (0.01, False)):
        findings = tube(solder=p)
        assert (LEAD in cautions(findings, grade(findings, HOUSE))) is warned


def test_the_texts_defer_to_local_rules_and_licensed_trades() -> None:
    assert "Never burn" in FIRE
    assert "local rules" in FIRE
    assert "licensed trades" in CUTS
    assert "certified technician" in REFRIGERANT
    assert "come before" in SELLING
