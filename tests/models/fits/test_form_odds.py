"""The odds of a piece's form, fitted on numbers whose odds are known."""

from __future__ import annotations

import numpy as np
import pytest

from models.recipe.fits.form_odds import fitted, is_heap, kind_of, overlapped
from vision.pieces.form import KINDS
from vision.types import Region


def p_of(coefficients: np.ndarray, z: np.ndarray) -> np.ndarray:
    scores = np.append(z, 1) @ coefficients
    odds = np.exp(scores - scores.max())
    return odds / odds.sum()


def test_numbers_that_say_nothing_leave_how_often_each_kind_was_seen() -> None:
    """The likeliest multinomial is the frequencies (a textbook result)."""
    kind = np.repeat(np.arange(len(KINDS)), [50, 30, 20][: len(KINDS)])
    told = p_of(fitted(np.zeros((len(kind), 2)), kind), np.zeros(2))
    assert told == pytest.approx(np.bincount(kind) / len(kind), abs=1e-3)


def test_a_slope_that_was_drawn_is_found_again() -> None:
    rng = np.random.default_rng(3)
    z = rng.normal(size=(4000, 1))
    # Drawn by the model itself: the log-odds of the second kind against the first are 1.5 z - 0.5.
    kind = (rng.random(4000) < 1 / (1 + np.exp(-(1.5 * z[:, 0] - 0.5)))).astype(int)
    slopes = fitted(z, kind)
    assert slopes[:, 0] == pytest.approx(0)
    # Its standard error is about 0.06 for so many; the ridge pulls by less.
    assert slopes[:, 1] == pytest.approx([1.5, -0.5], abs=0.2)


def test_forms_that_are_no_kind_of_their_own_count_as_round() -> None:
    assert [KINDS[kind_of(kind)] for kind in KINDS] == list(KINDS)
    assert KINDS[kind_of("wire")] == "round"


def test_a_coil_and_a_tangle_are_heaps() -> None:
    assert is_heap({"facts": {"coil": True}}) and is_heap({"facts": {"tangled": True}})
    assert not is_heap({"facts": {}})


def found(box_px: tuple[int, int, int, int]) -> Region:
    x, y, w, h = box_px
    corners = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]], np.float64)
    return Region(box_px=box_px, mask=np.ones((h, w), bool), outline_px=corners, score=1.0)


def test_a_found_piece_is_the_one_that_it_overlaps_most() -> None:
    true = np.zeros((20, 40), np.uint8)
    true[5:15, 5:15], true[5:15, 15:35] = 1, 2
    region = found((10, 5, 25, 10))
    # It covers 50 of number 1, 100 px large, and all 200 of number 2: 50 / 300 and 200 / 250.
    assert overlapped(region, true) == 2
    assert overlapped(found((0, 0, 6, 6)), true) is None, "a corner of it is not the piece"
