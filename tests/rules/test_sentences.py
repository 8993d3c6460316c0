"""Fragments as sentences."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.sentences import sentence


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("the file is empty", "The file is empty."),
        ("Is it copper?", "Is it copper?"),
        ("  no scale! ", "No scale!"),
        ("1.29 mm of 1.291 mm", "1.29 mm of 1.291 mm."),
        ("über 5 %", "Über 5 %."),
        ("mm and AWG stay as they are", "Mm and AWG stay as they are."),
    ],
)
def test_it_begins_large_and_ends_with_one_mark(text: str, expected: str) -> None:
    assert sentence(text) == expected


@given(st.text())
def test_a_sentence_stays_one(text: str) -> None:
    once = sentence(text)
    assert sentence(once) == once
    assert once.endswith((".", "!", "?"))
