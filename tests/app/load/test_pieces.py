"""From a graded photo to pieces with estimated weights."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from app.exit_codes import PhotoOutcome
from app.grading import GradedPiece, Result
from app.load.pieces import next_id, pieces_of, weight_of
from rules.engine import grade
from rules.findings import Findings, Form, Presence
from rules.sheet import load_sheet
from tests.rules.pieces import mm, piece
from tests.vision.drawn_examination import examination
from vision.types import PieceReading


def graded(findings: Findings, reading: PieceReading | None = None) -> GradedPiece:
    return GradedPiece(
        findings=findings, grading=grade(findings, load_sheet("house")), reading=reading
    )


def test_a_photo_gives_pieces_with_weights_from_their_own_outline() -> None:
    found = examination(size=(480, 640), pieces=3, scale=True)
    result = Result(
        name="van.jpg",
        outcome=PhotoOutcome.GRADED,
        pieces=tuple(graded(one.findings, one) for one in found.pieces),
        examination=found,
    )
    pieces = pieces_of(result, sheet="house", taken=["p1"])
    assert [one.id for one in pieces] == ["p2", "p3", "p4"]
    assert [one.name for one in pieces] == ["van 1", "van 2", "van 3"]
    assert all(sum(one.p.values()) == pytest.approx(1) for one in pieces)
    for one, reading in zip(pieces, found.pieces, strict=True):
        expected = reading.findings.diameter is not None and reading.findings.form.value in (
            Form.WIRE,
            Form.STRANDED,
            Form.TUBE,
        )
        assert (one.weight is not None) == expected
        if one.weight is not None:
            assert one.weight.is_estimated
            assert one.weight.low95_kg < float(one.weight.kg) < one.weight.high95_kg


def test_a_stated_weight_counts_before_an_estimate() -> None:
    weight = weight_of(graded(piece(Form.WIRE, diameter=mm(2.0), weight_kg=1.25)), None)
    assert weight is not None
    assert float(weight.kg) == 1.25
    assert not weight.is_estimated
    assert weight_of(graded(piece(Form.WIRE, diameter=mm(2.0))), None) is None


@pytest.mark.parametrize("seen", ["insulation", "other_metal"])
def test_nothing_is_estimated_of_what_its_size_does_not_weigh(seen: str) -> None:
    # A jacket's diameter is not the copper's, and a steel bolt has not copper's density.
    found = examination(size=(480, 640), pieces=1, scale=True)
    (bare,) = found.pieces
    assert weight_of(graded(bare.findings, bare), found.scale) is not None
    there: dict[str, Any] = {seen: Presence(p=0.9, share=0.9)}
    told = replace(bare, findings=replace(bare.findings, **there))
    assert weight_of(graded(told.findings, told), found.scale) is None


def test_ids_are_never_given_twice() -> None:
    taken = ["p1", "p2", "p4"]
    for _ in range(5):
        taken.append(next_id(taken))
    assert len(set(taken)) == len(taken)
