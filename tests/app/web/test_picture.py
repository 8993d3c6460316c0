"""A picture keeps its place free, whatever its words are."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from app.web.picture import as_css


@given(st.text(max_size=40))
def test_any_words_are_a_css_string_and_the_same_words_when_read_back(text: str) -> None:
    escaped = as_css(text)
    # CSS Syntax Module Level 3, 4.3.7: a backslash, 1 to 6 hex digits, one white space.
    assert re.fullmatch(r"(?:[0-9A-Za-z]|\\[0-9a-f]{1,6} )*", escaped)
    assert re.sub(r"\\([0-9a-f]+) ", lambda m: chr(int(m[1], 16)), escaped) == text
