"""Text of people is shown as it is, whatever Markdown would make of it."""

from __future__ import annotations

import re
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.web.plain import plain

WORD_JOINER = "\N{WORD JOINER}"


@given(st.text(alphabet=string.printable + "é名\N{GRINNING FACE}", max_size=60))
def test_nothing_is_lost_and_no_line_is_broken(text: str) -> None:
    told = plain(text)
    # CommonMark 2.4: a backslash before a sign makes it that sign.
    shown = re.sub(rf"\\([{re.escape(string.punctuation)}])", r"\1", told.replace(WORD_JOINER, ""))
    assert shown == re.sub(r"[\r\n]", " ", text)


# The examples are those of GitHub Flavored Markdown, 6.9 (extended autolinks).
@pytest.mark.parametrize(
    ("address", "before"),
    [
        ("www.commonmark.org", "ww"),
        ("http://commonmark.org", "ttp"),
        ("https://encrypted.google.com/search?q=Markup+(business)", "ttps"),
        ("foo@bar.baz", "bar"),
        ("mailto:foo@bar.baz", "ailto"),
        ("xmpp:foo@bar.baz/txt", "mpp"),
    ],
)
def test_an_address_is_parted_where_it_would_begin_to_be_one(address: str, before: str) -> None:
    told = plain(f"see {address} there")
    assert address not in told
    assert WORD_JOINER + before in told


# CommonMark 4.2, 5.1 to 5.3, 6.1 to 6.6 (headings, quotes, lists, code, emphasis, links, HTML,
# entities); GFM 4.10 and 6.5 (tables, strikethrough); Streamlit's own :colour[], :icon: and $x$.
@pytest.mark.parametrize("sign", "#>-+`*_[]<&|~:$")
def test_every_sign_that_markdown_knows_is_escaped(sign: str) -> None:
    assert plain(f"a{sign}b{sign}") == f"a\\{sign}b\\{sign}"
