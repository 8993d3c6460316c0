"""The second photo is offered where a coat, tin or solder is in doubt, and drawn in three steps."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from PIL import Image

from app.grading import GradedPiece
from app.web.grade.flash_help import STEP_PX, flash_help
from app.web.grade.with_flash import settles
from rules.engine import grade
from rules.findings import Form, Presence
from rules.sheet import load_sheet
from tests.vision.drawn_examination import findings, mm


def piece(*, coating: float = 0.01, strand_mm: float = 2.0, known: float = 1.0) -> GradedPiece:
    size = mm(strand_mm, 0.01)
    found = replace(
        findings(Form.WIRE, diameter=size, strand=size),
        coating=Presence(p=coating, share=0.9, u_share=0.1),
        insulation=Presence(p=0.01, share=0.5, u_share=0.1),
        tin=Presence(p=0.01, share=0.5, u_share=0.1),
        green=Presence(p=0.01, share=0.5, u_share=0.1),
        familiarity=known,
    )
    return GradedPiece(findings=found, grading=grade(found, load_sheet("house")))


def test_the_flash_is_offered_where_a_coat_is_in_doubt() -> None:
    assert settles(piece(coating=0.5))


@pytest.mark.parametrize(
    "other",
    [piece(), piece(coating=0.99), piece(strand_mm=1.291), piece(coating=0.5, known=0.2)],
    ids=["bare for sure", "coated for sure", "only its size is in doubt", "unlike all known"],
)
def test_elsewhere_it_is_not_offered(other: GradedPiece) -> None:
    assert not settles(other)


def test_the_help_shows_three_steps() -> None:
    with Image.open(io.BytesIO(flash_help())) as picture:
        assert picture.size == (3 * STEP_PX[0], STEP_PX[1])
        assert len(flash_help()) < 40_000
