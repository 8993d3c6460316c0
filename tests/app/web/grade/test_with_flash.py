"""The second photo is offered where a coat, tin or solder is in doubt."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image

from app.grading import GradedPiece
from app.request import Request
from app.web.desk.inbox import keep
from app.web.grade.answers import answer
from app.web.grade.with_flash import settles
from rules.engine import grade
from rules.findings import Form, Presence
from rules.sheet import load_sheet
from tests.vision.drawn_examination import findings, mm

PAIRS = Path(__file__).parents[4] / "fixtures" / "pairs"


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


def test_a_pair_shows_each_piece_in_both_photos(tmp_path: Path) -> None:
    plain, flash = (
        keep((PAIRS / name).read_bytes(), name=name, folder=tmp_path)
        for name in ("tubes_brass_coin_plain.jpg", "tubes_brass_coin_flash.jpg")
    )
    request = Request(sheet=load_sheet("house"))
    told = answer(plain, request, folder=tmp_path, flash=flash)
    again = told.result.examination
    assert again is not None and again.flash is not None
    assert again.flash.photo.rgb.shape[0] == 1  # no pixels are kept with an answer
    assert told.flash == flash and len(told.pairs) == len(told.result.pieces) <= 5
    for picture in filter(None, told.pairs):
        with Image.open(io.BytesIO(picture.result().jpeg)) as drawn:
            assert min(drawn.size) > 200
    assert sum(picture is not None for picture in told.pairs) >= 4
    assert answer(plain, request, folder=tmp_path).pairs == ()
