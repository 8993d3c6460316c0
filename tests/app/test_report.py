"""The report: what a person reads on the terminal."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from app.grading import Result, grade_examination
from app.report import as_text
from app.request import Request
from rules.sheet import load_sheet
from tests.vision.drawn_examination import examination

HOUSE = load_sheet("house")


def result() -> Result:
    drawn = examination()
    # Pieces 1 and 2 of the drawing lie in one ninth of a photo that is three times as long.
    tall = replace(drawn.photo, rgb=drawn.photo.rgb[:1].repeat(4500, axis=0))
    return grade_examination(replace(drawn, photo=tall), Request(sheet=HOUSE))


def test_pieces_in_one_place_are_told_apart() -> None:
    heads = re.findall(r"^Piece .*$", as_text(result(), HOUSE), re.MULTILINE)
    assert len({head.split(", ", 1)[1] for head in heads}) == len(heads)
    assert any(head.endswith("1st from the top") for head in heads)


def test_a_piece_alone_in_its_place_gets_no_number() -> None:
    drawn = grade_examination(examination(pieces=1), Request(sheet=HOUSE))
    assert "from the" not in as_text(drawn, HOUSE)


@pytest.mark.parametrize(
    ("settle", "told"),
    [("does most of it shine?", "Does most of it shine?"), ("wipe it", "Wipe it.")],
)
def test_a_check_ends_with_one_mark(settle: str, told: str) -> None:
    drawn = grade_examination(examination(pieces=1), Request(sheet=HOUSE))
    (piece,) = drawn.pieces
    asked = replace(piece, grading=replace(piece.grading, settle=settle))
    (line,) = re.findall(r"^check +(.*)$", as_text(replace(drawn, pieces=(asked,)), HOUSE), re.M)
    assert line == told


def test_many_pieces_have_a_line_each_and_all_of_it_with_details() -> None:
    told = result()
    many = replace(told, pieces=tuple((told.pieces * 3)[:4]))
    text = as_text(many, HOUSE)
    assert [len(re.findall(rf"^[ ?] +{n}  ", text, re.M)) for n in range(1, 6)] == [1, 1, 1, 1, 0]
    assert max(map(len, text.splitlines())) <= 80
    assert "because" not in text
    unsure = [n for n, one in enumerate(many.pieces, start=1) if one.grading.settle]
    assert (f"{len(unsure)} of 4 need a check" in text) == bool(unsure)
    in_full = as_text(many, HOUSE, details=True)
    assert len(re.findall("^Piece ", in_full, re.M)) == 4


def test_three_pieces_are_told_in_full() -> None:
    told = result()
    three = replace(told, pieces=tuple((told.pieces * 3)[:3]))
    assert len(re.findall("^Piece ", as_text(three, HOUSE), re.M)) == 3
