"""Lines found for values are those where the values stand."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.errors import RuleFileError
from rules.toml_lines import Path, parse_toml

TEXT = '''\
# a comment, then [[row]] in it
title = """
[[row]]
id = "not a row"
"""

[[row]]
id = "first" # [row]
when = [
  { a = 1 },
  # in between
  { a = "],]" },
]
[row.lift]
to = "x"

[[row]]
"id" = "second"
when = [1, 2]
lift.to = "y"

[limit."a.b"]
value = 1
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("title",), 2),
        (("row", 0), 7),
        (("row", 0, "id"), 8),
        (("row", 0, "when"), 9),
        (("row", 0, "when", 0), 10),
        (("row", 0, "when", 1), 12),
        (("row", 0, "when", 1, "a"), 12),
        (("row", 0, "lift"), 14),
        (("row", 0, "lift", "to"), 15),
        (("row", 1), 17),
        (("row", 1, "id"), 18),
        (("row", 1, "when", 1), 19),
        (("row", 1, "lift", "to"), 20),
        (("row", 1, "reason"), 17),
        (("row",), 7),
        (("limit", "a.b", "value"), 23),
        (("limit", "a.b", "unit"), 22),
        (("nothing",), 1),
    ],
)
def test_a_value_is_found_on_its_line(path: Path, line: int) -> None:
    assert parse_toml(TEXT, where="t").line(path) == line


def test_lines_end_as_toml_says() -> None:
    # A form feed or a line separator inside a string ends no line.
    text = 'a = "x\u2028y"\r\nb = 2\r\n'
    assert parse_toml(text, where="t").line(("b",)) == 2


@settings(deadline=None, max_examples=50)
@given(
    st.lists(
        st.sampled_from(["{k} = 1", '{k} = """\n[x]\n"""', "{k} = [\n1,\n]", "# [c]\n{k} = 'b'"]),
        max_size=8,
    )
)
def test_every_key_is_found_where_it_stands(templates: list[str]) -> None:
    text = "".join(t.replace("{k}", f"key{i}") + "\n" for i, t in enumerate(templates))
    parsed = parse_toml(text, where="t")
    lines = text.split("\n")
    for i in range(len(templates)):
        assert lines[parsed.line((f"key{i}",)) - 1].startswith(f"key{i} =")


def test_a_statement_too_long_to_search_costs_no_time() -> None:
    text = "a = [\n" + "1,\n" * 15_000 + "]\nb = 2\n"
    assert parse_toml(text, where="t").line(("a",)) == 1


def test_what_is_not_toml_is_told_with_its_line() -> None:
    with pytest.raises(RuleFileError, match="line 2"):
        parse_toml("a = 1\nb = = 2\n", where="t")
