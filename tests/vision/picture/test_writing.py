"""Words on a picture."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vision.picture.tones import INK
from vision.picture.writing import block, font_of, line_height, wrapped, writable


def test_long_words_and_lines_stay_on_the_panel() -> None:
    text = "x" * 300 + " and a long explanation that goes on and on " * 4
    for row in wrapped(text, 21, 500):
        assert font_of(21).getlength(row) <= 500


def test_a_number_and_its_unit_stay_on_one_row() -> None:
    for width in range(80, 400, 7):
        for row in wrapped("compare it with 1.291 mm or 5 % of 20 min", 21, width):
            assert not row.startswith(("mm", "%", "min"))


def test_letters_that_the_font_lacks_are_told_by_others() -> None:
    assert writable("1.2 × 3 – 4 ± 1 ° ≥ 5 é") == "1.2 x 3 - 4 ± 1 ° at least 5 ?"


@given(st.text(max_size=120), st.integers(12, 40), st.integers(60, 600))
def test_whatever_is_written_fits_and_nothing_is_lost(text: str, size: int, width: int) -> None:
    rows = wrapped(text, size, width)
    for row in rows:
        assert font_of(size).getlength(row) <= width or len(row) == 1
    letters = "".join(writable(text).split())
    assert "".join("".join(rows).split()) == letters


@given(st.text())
def test_what_is_written_has_only_letters_of_the_font(text: str) -> None:
    assert all((c.isascii() and c.isprintable()) or c in "±°" for c in writable(text))
    assert writable(writable(text)) == writable(text)


def test_a_block_is_as_wide_as_told_and_grows_with_its_rows() -> None:
    one, two = (block([("a word",) + (20, INK)] * n, 300) for n in (1, 2))
    assert one.shape[1] == two.shape[1] == 300
    assert two.shape[0] == 2 * one.shape[0]
    assert (one.min(axis=2) < 100).any(), "the ink is there"
    larger = block([("a word", 40, INK)], 300)
    assert larger.shape[0] > one.shape[0]
    assert line_height(40) == pytest.approx(2 * line_height(20), abs=1)


def test_nothing_to_write_is_a_bare_strip() -> None:
    assert block([], 200).shape == (1, 200, 3)
