"""A JSON text taken value by value gives what Python's own reader gives of the whole (RFC 8259)."""

from __future__ import annotations

import json
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.records.archive.reading import JsonStream
from app.records.errors import BadArchiveError

VALUES = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.floats(allow_nan=False, allow_infinity=False),
        st.text(max_size=12),
    ),
    lambda inside: st.one_of(
        st.lists(inside, max_size=4), st.dictionaries(st.text(max_size=5), inside, max_size=4)
    ),
    max_leaves=12,
)


def chunks(text: str, cuts: list[int]) -> Iterator[str]:
    edges = [0, *sorted(cut % (len(text) + 1) for cut in cuts), len(text)]
    for start, end in pairwise(edges):
        yield text[start:end]


def stream(text: str, *cuts: int, longest: int = 10_000) -> JsonStream:
    return JsonStream(chunks(text, list(cuts)), longest=longest)


@settings(max_examples=60)
@given(VALUES, st.lists(st.integers(0, 400), max_size=6), st.sampled_from([None, 1]))
def test_wherever_the_text_is_cut_the_value_is_the_same(
    value: Any, cuts: list[int], indent: int | None
) -> None:
    text = json.dumps(value, indent=indent)
    read = stream(text, *cuts)
    assert read.value() == json.loads(text)
    read.end()


@settings(max_examples=40)
@given(
    st.dictionaries(st.text(max_size=5), VALUES, max_size=4),
    st.lists(st.integers(0, 200), max_size=4),
)
def test_members_and_items_are_those_of_the_whole(value: dict[str, Any], cuts: list[int]) -> None:
    read = stream(json.dumps(value), *cuts)
    assert {key: read.value() for key in read.members()} == value
    read.end()
    listed = stream(json.dumps(list(value.values())), *cuts)
    assert [listed.value() for _ in listed.items()] == list(value.values())
    listed.end()


@pytest.mark.parametrize("cut", range(1, 10))
def test_a_number_that_is_cut_goes_on(cut: int) -> None:
    assert stream("-12.75e+1", cut).value() == -127.5


@pytest.mark.parametrize(
    "text", ["", "{", '{"a": }', "nul", "NaN", "Infinity", '"torn', "[1 2]", "{'a': 1}"]
)
def test_what_is_no_json_is_refused(text: str) -> None:
    with pytest.raises((BadArchiveError, ValueError)):
        read = stream(text, 1)
        read.value()
        read.end()


def test_what_follows_behind_the_end_is_refused() -> None:
    read = stream("[] []")
    read.value()
    with pytest.raises(BadArchiveError, match="goes on behind its end"):
        read.end()


def test_a_key_that_stands_twice_is_refused() -> None:
    read = stream('{"a": 1, "a": 2}')
    with pytest.raises(BadArchiveError, match="stands twice"):
        for _ in read.members():
            read.value()


@pytest.mark.parametrize("text", ["[1 2]", "[1,,2]", "[1,", "{}"])
def test_a_list_that_is_none_is_refused(text: str) -> None:
    read = stream(text)
    with pytest.raises(BadArchiveError):
        for _ in read.items():
            read.value()


def test_a_value_longer_than_is_taken_is_refused_before_it_is_whole() -> None:
    """The rest is never asked for: a bomb must not be unpacked to be refused."""
    asked = []

    def endless() -> Iterator[str]:
        yield '"'
        for number in range(10_000):
            asked.append(number)
            yield "x" * 100

    with pytest.raises(BadArchiveError, match="more than 1000 letters"):
        JsonStream(endless(), longest=1000).value()
    assert len(asked) < 50


def test_deep_nesting_is_refused_and_does_not_fell_the_program() -> None:
    with pytest.raises(BadArchiveError):
        stream("[" * 200_000, longest=10**6).value()
