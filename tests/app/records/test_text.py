"""What people type is kept as plain text: any of it, bounded, and the same when kept again."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.records.models import NAME_LENGTH, WORD_LENGTH
from app.records.text import many_lines, name_key, one_line, unturned, word

ANYTHING = st.text(st.characters(codec=None), max_size=300)


@given(ANYTHING)
def test_a_name_is_one_bounded_line_that_can_be_written_and_kept_again(text: str) -> None:
    kept = one_line(text)
    assert len(kept) <= NAME_LENGTH
    assert kept == kept.strip() and "\n" not in kept and "  " not in kept
    kept.encode("utf-8")  # halves of a pair can't be
    assert one_line(kept) == kept
    assert len(word(text)) <= 2 * WORD_LENGTH  # small letters may be longer: İ


@given(ANYTHING)
def test_notes_keep_their_lines_and_no_control_character(text: str) -> None:
    kept = many_lines(text)
    odd = {c for c in kept if unicodedata.category(c) in ("Cc", "Cs")}
    assert odd <= {"\n", "\t"}
    assert many_lines(kept) == kept


@pytest.mark.parametrize(
    ("one", "other"),
    [("Straße 7", "STRASSE  7"), ("Cafe\N{COMBINING ACUTE ACCENT}", "café"), ("ﬁne", "FINE")],
)
def test_a_name_is_the_same_however_it_is_written(one: str, other: str) -> None:
    assert name_key(one) == name_key(other)


# Unicode Standard Annex 9, "Unicode Bidirectional Algorithm", 2.1, 2.2, 2.4, 2.5 and 3.2: the
# explicit formatting characters have these classes of their own, in the standard library's data.
EXPLICIT = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}


def test_a_name_cant_turn_the_text_beside_it_around() -> None:
    turning = "".join(
        c for c in map(chr, range(0x11_0000)) if unicodedata.bidirectional(c) in EXPLICIT
    )
    assert len(turning) == 9
    for c in turning:
        assert one_line(f"Yard {c}evil") == "Yard evil" and name_key(f"YA{c}RD") == "yard"
        assert many_lines(f"a{c}\nb") == "a\nb"
    assert one_line(f"e{turning}\N{COMBINING ACUTE ACCENT}") == "é" == one_line("é")
    assert unturned("a\N{RIGHT-TO-LEFT MARK}b\u202e") == "a\N{RIGHT-TO-LEFT MARK}b"


@pytest.mark.parametrize("name", ["שלום", "مرحبا 7", "A\N{LEFT-TO-RIGHT MARK}1"])
def test_a_name_in_any_script_stays_as_it_is(name: str) -> None:
    assert one_line(name) == name
