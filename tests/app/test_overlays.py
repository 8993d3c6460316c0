"""What the overlay says of each piece, against the grading that it is of."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from app.grading import GradedPiece, Result, grade_examination, unreadable
from app.overlays import caption_of, drawn, tags_of, write_overlay
from app.request import Request
from app.words import confidence_words, grade_words, is_unsure
from rules.findings import Form
from rules.sheet import load_sheet
from tests.vision.drawn_examination import examination, findings, mm
from vision.problems import photo_error

HOUSE = load_sheet("house")
REQUEST = Request(sheet=HOUSE)


def result(*, pieces: int = 3, size: tuple[int, int] = (300, 400)) -> Result:
    return grade_examination(examination(size=size, pieces=pieces), REQUEST)


def graded(**said: object) -> GradedPiece:
    drawn_one = examination(size=(300, 400), pieces=1)
    reading = replace(drawn_one.pieces[0], findings=findings(**said))  # type: ignore[arg-type]
    (piece,) = grade_examination(replace(drawn_one, pieces=(reading,)), REQUEST).pieces
    return piece


def test_each_piece_wears_its_likeliest_grade() -> None:
    pieces = result().pieces
    for piece, tag in zip(pieces, tags_of(pieces, HOUSE), strict=True):
        likeliest = max(piece.grading.p, key=lambda grade: piece.grading.p[grade])
        assert tag.words == HOUSE.title_of(likeliest)
        assert tag.rank == HOUSE.grade_ids.index(likeliest)
        assert tag.is_unsure is is_unsure(piece.grading)


def test_a_caption_has_the_grade_its_reason_and_its_size() -> None:
    piece = graded(form=Form.TUBE, diameter=mm(15.0, 0.1))
    caption = caption_of(piece, HOUSE)
    assert caption.title == grade_words(piece.grading, HOUSE)
    assert caption.certainty == confidence_words(piece.grading)
    assert caption.confidence == piece.grading.confidence
    assert caption.lines[0].startswith(piece.grading.reasons[0].text)
    assert any("15.0" in line and "mm" in line for line in caption.lines)


def test_without_a_size_it_says_so() -> None:
    caption = caption_of(graded(form=Form.TUBE), HOUSE)
    assert any("size not measured" in line for line in caption.lines)


def test_in_short_what_to_do_comes_first_and_alone() -> None:
    piece = graded(form=Form.WIRE, diameter=mm(1.29, 0.05), strand=mm(1.29, 0.05))
    assert piece.grading.settle, "on the limit a check would settle it"
    short, long = caption_of(piece, HOUSE, short=True), caption_of(piece, HOUSE)
    assert short.lines == (f"To settle it: {piece.grading.settle}",)
    assert long.lines[1] == short.lines[0]
    assert short.is_unsure and long.is_unsure


def test_a_lift_is_told_with_its_minutes() -> None:
    piece = graded(form=Form.TUBE, diameter=mm(15.0, 0.1), solder=0.99)
    assert piece.grading.lifts
    lift = piece.grading.lifts[0]
    told = [line for line in caption_of(piece, HOUSE).lines if line.startswith("Lift to")]
    assert told == [f"Lift to {HOUSE.title_of(lift.to)}: {lift.action} ({lift.minutes:g} min)"]


def test_every_line_begins_with_a_capital() -> None:
    for piece in result().pieces:
        for line in caption_of(piece, HOUSE).lines:
            assert line[:1] == line[:1].upper()


def test_a_photo_that_was_not_read_has_no_overlay() -> None:
    bad = unreadable("a.jpg", photo_error("no_strand_ends"))
    with pytest.raises(ValueError, match="no overlay"):
        drawn(bad, HOUSE)


def test_the_file_is_a_picture_of_the_photo_and_its_panel(tmp_path: Path) -> None:
    one = result(pieces=1)
    write_overlay(tmp_path / "a.jpg", one, HOUSE)
    with Image.open(tmp_path / "a.jpg") as picture:
        assert picture.format == "JPEG"
        seen = np.asarray(picture.convert("RGB")).astype(float)
    expected = drawn(one, HOUSE)
    assert seen.shape == expected.shape
    assert np.abs(seen - expected).mean() < 4, "but for what JPEG loses"
    assert [path.name for path in tmp_path.iterdir()] == ["a.jpg"], "no half file is left"
