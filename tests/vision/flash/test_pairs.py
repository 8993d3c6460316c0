"""Two photos of the same pieces, the second with the flash on: from pixels to findings.

The pair is rendered (fixtures/pairs): four pieces, the coin cut by the photo's edge, so that the
pieces themselves must say how the hand moved.
"""

from __future__ import annotations

import json
from dataclasses import replace
from math import exp
from pathlib import Path

import numpy as np
import pytest

from rules.confidence import FAMILIAR
from rules.findings import What
from vision.examine import examine
from vision.flash.pairs import examine_pair
from vision.photo.loading import load_photo_file
from vision.types import Examination, Photo

PAIRS = Path(__file__).parents[3] / "fixtures" / "pairs"


@pytest.fixture(scope="module")
def plain() -> Photo:
    return load_photo_file(PAIRS / "tubes_brass_coin_plain.jpg")


@pytest.fixture(scope="module")
def flash() -> Photo:
    return load_photo_file(PAIRS / "tubes_brass_coin_flash.jpg")


@pytest.fixture(scope="module")
def alone(plain: Photo) -> Examination:
    return examine(plain)


def of_the_four(examination: Examination) -> list[int]:
    """Return the numbers of the true pieces, from 1; a screw may be taken for one more."""
    told = json.loads((PAIRS / "tubes_brass_coin_plain.json").read_text(encoding="utf-8"))
    centres = [np.array(p["box_px"][:2]) + np.array(p["box_px"][2:]) / 2 for p in told["pieces"]]
    boxes = [np.array(piece.region.box_px) for piece in examination.pieces]
    found = [n for n, b in enumerate(boxes, 1)
             if any((np.abs(b[:2] + b[2:] / 2 - c) < 25).all() for c in centres)]  # fmt: skip
    assert len(found) == 4
    return found


def moved(examination: Examination) -> set[int]:
    """Return the numbers of the pieces that are told to have moved."""
    return {n for p in examination.problems if p.code == "flash_moved" for n in p.pieces}


def codes(examination: Examination) -> set[str]:
    return {problem.code for problem in examination.problems if problem.code.startswith("flash")}


def test_each_piece_is_found_again_and_its_odds_carry_what_the_flash_says(
    plain: Photo, flash: Photo, alone: Examination
) -> None:
    assert (plain.flash_fired, flash.flash_fired) == (False, True)
    both = examine_pair(plain, flash)
    assert codes(both) <= {"flash_moved"} and not moved(both) & set(of_the_four(both))
    assert both.flash is not None and len(both.flash.pieces) == len(both.pieces) <= 5
    for number in of_the_four(both):
        before, after = (one.pieces[number - 1] for one in (alone, both))
        again = both.flash.pieces[number - 1]
        assert again is not None and again.overlap > 0.8
        # The hand moved by some mm, the photo shows 4 px a mm: it lies about where it lay.
        x, y, _, _ = after.region.box_px
        assert np.hypot(again.box_px[0] - x, again.box_px[1] - y) < 80
        ratio = again.evidence.log_ratio.get(What.COATING, 0.0)
        was, now = (one.findings.seen[What.COATING].p for one in (before, after))
        jacket = before.findings.p_of(What.INSULATION)  # of which a highlight says nothing
        times = jacket + (1 - jacket) * exp(ratio)
        assert now / (1 - now) == pytest.approx(was / (1 - was) * times, rel=1e-6)
        for column, row, columns, rows in (*again.core_px, *again.ring_px):
            assert again.box_px[0] - 3 <= column
            assert column + columns <= again.box_px[0] + again.box_px[2] + 3
            assert again.box_px[1] - 3 <= row
            assert row + rows <= again.box_px[1] + again.box_px[3] + 3


def test_a_second_photo_without_flash_adds_nothing_and_is_told(
    plain: Photo, alone: Examination
) -> None:
    both = examine_pair(plain, plain)
    assert codes(both) == {"flash_missing"}
    assert [one.findings for one in both.pieces] == [one.findings for one in alone.pieces]
    assert both.flash is not None and set(both.flash.pieces) == {None}


def test_pieces_that_lie_elsewhere_add_nothing_and_are_named(
    plain: Photo, flash: Photo, alone: Examination
) -> None:
    mirrored = replace(flash, rgb=np.ascontiguousarray(flash.rgb[:, ::-1]))
    both = examine_pair(plain, mirrored)
    assert codes(both) == {"flash_moved"}
    assert moved(both) == set(range(1, len(both.pieces) + 1))
    assert [one.findings for one in both.pieces] == [one.findings for one in alone.pieces]
    guessed = examine_pair(plain, mirrored, guessed=True)
    assert guessed.flash is None and codes(guessed) == set()


def test_a_photo_lit_by_the_flash_says_so_and_is_never_sure(flash: Photo, plain: Photo) -> None:
    lit = examine(flash)
    assert codes(lit) == {"flash_lit"}
    assert lit.flash_p > 0.9
    assert all(piece.findings.familiarity < FAMILIAR for piece in lit.pieces)
    twice = examine_pair(flash, flash)
    assert codes(twice) == {"flash_lit"}
    assert twice.flash is not None and set(twice.flash.pieces) == {None}
