"""How much of the doubt a finding explains, against shares worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.doubt import cheapest_check, deciding_finding, doubt_parts, missing_findings
from rules.draws import draw_pieces
from rules.evaluate import Evaluation
from rules.findings import Findings, Form, Presence
from rules.sheet import load_sheet
from tests.rules.pieces import mm, piece, tube

HOUSE = load_sheet("house")


def parts_of(findings: Findings) -> dict[str, float]:
    return doubt_parts(Evaluation(HOUSE, draw_pieces(findings, draws=40_000)))


def test_a_single_doubt_explains_all_of_it() -> None:
    parts = parts_of(piece(diameter=mm(1.3, 0.03)))
    assert parts["strand_diameter"] == pytest.approx(1)
    assert deciding_finding(parts) == "strand_diameter"


def test_two_doubts_share_it_as_the_law_of_total_variance_says() -> None:
    # No. 1 needs neither brass (p) nor solder (q): its variance is P(1 - P) with
    # P = (1 - p)(1 - q); knowing the brass leaves (1 - p) times q(1 - q).
    p, q = 0.3, 0.1
    clean = (1 - p) * (1 - q)
    parts = parts_of(tube(brass=p, solder=q))
    whole = clean * (1 - clean)
    assert parts["brass"] == pytest.approx(1 - (1 - p) * q * (1 - q) / whole, abs=0.02)
    assert parts["solder"] == pytest.approx(1 - (1 - q) * p * (1 - p) / whole, abs=0.02)
    assert deciding_finding(parts) == "brass"


def test_what_is_certain_explains_nothing() -> None:
    assert parts_of(piece(motor_wire=True)) == {}
    assert deciding_finding({}) is None
    assert parts_of(tube(brass=0.5)).get("form", 0.0) == pytest.approx(0, abs=1e-6)


def test_what_is_missing_is_what_nobody_measured() -> None:
    assert missing_findings(piece()) == ()
    assert missing_findings(tube()) == ()
    assert missing_findings(piece(Form.STRANDED, diameter=mm(4.0))) == (("strand_diameter",),)
    (look,) = missing_findings(tube(shares=None))
    assert "tarnish_level" in look
    assert "green_share" in look


def cheapest(findings: Findings) -> str | None:
    evaluation = Evaluation(HOUSE, draw_pieces(findings, draws=40_000))
    return cheapest_check(evaluation, doubt_parts(evaluation))


def test_the_check_is_the_cheapest_of_those_that_settle_it() -> None:
    # Coated all over or bare and bright: whether it is coated settles it, and so would the
    # share that shines, which is 0 or 0.97. A scratch is quicker.
    told: dict[str, Any] = {what: Presence(p=0.0) for what in ("tin", "green", "insulation")}
    coat = Presence(p=0.5, share=1.0, u_share=0.0)
    wire = replace(piece(diameter=mm(3.0)), coating=coat, **told)
    parts = parts_of(wire)
    assert parts["coated_share"] == pytest.approx(1)
    assert parts["bright_share"] == pytest.approx(1)
    assert cheapest(wire) == "coated_share"
    # A jacket is felt at once.
    jacket = Presence(p=0.5, share=1.0, u_share=0.0)
    assert cheapest(replace(piece(diameter=mm(3.0)), insulation=jacket)) == "insulation"


def test_where_no_check_settles_it_alone_the_largest_doubt_comes_first() -> None:
    # Brass or solder, each at even odds: after either check the piece is still right only
    # 3 times in 4 (1/2 * 1 + 1/2 * 1/2).
    assert cheapest(tube(brass=0.5, solder=0.45)) in ("brass", "solder")
    assert cheapest(tube(brass=0.5, solder=0.2)) == "brass"


def test_no_doubt_needs_no_check() -> None:
    assert cheapest(piece(motor_wire=True)) is None
