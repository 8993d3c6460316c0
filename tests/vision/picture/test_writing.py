"""Words on a picture."""

from __future__ import annotations

from vision.picture.writing import font_of, wrapped, writable


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
