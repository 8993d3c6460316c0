"""Rows as plain values, and which of them a search finds."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.records import Records
from app.records.errors import NoSuchRecordError
from app.records.models import PieceRow
from app.records.rows import clean_tags, find_row
from tests.app.records.pieces import FINDINGS, GRADING, new_piece, save_piece


def names(records: Records, **asked: object) -> list[str]:
    return sorted(piece.name for piece in records.pieces(**asked))  # type: ignore[arg-type]


@pytest.fixture
def three(records: Records) -> Records:
    for name, notes in (("100 % pipe", ""), ("pipe_end", "Green"), ("wire", "under the PIPE")):
        save_piece(records, new_piece(name=name, notes=notes))
    return records


@pytest.mark.parametrize(
    ("typed", "found"),
    [
        ("pipe", ["100 % pipe", "pipe_end", "wire"]),  # in names and notes, whatever the case
        ("GREEN", ["pipe_end"]),
        (" wire ", ["wire"]),
        ("%", ["100 % pipe"]),  # a sign that SQL takes for anything
        ("_", ["pipe_end"]),  # and for any one letter
        ("\\", []),
        ("'; DROP TABLE piece; --", []),
        ("   ", ["100 % pipe", "pipe_end", "wire"]),
    ],
)
def test_what_is_typed_is_sought_letter_by_letter(
    three: Records, typed: str, found: list[str]
) -> None:
    assert names(three, containing=typed) == found


def test_what_is_saved_comes_back_as_it_was(records: Records) -> None:
    saved = save_piece(records, new_piece(1, name="  two\nlines ", notes="a\r\nb", tags=("B", "a")))
    again = records.piece(saved.id)
    assert again == saved
    assert (again.name, again.notes, again.tags) == ("two lines", "a\nb", ("a", "b"))
    assert again.findings == FINDINGS and again.grading == GRADING
    (photo,) = again.photos
    assert (photo.width_px, photo.height_px) == (60, 40)


def test_the_columns_to_search_by_repeat_what_was_found(records: Records) -> None:
    saved = save_piece(records, new_piece())
    with records.reading() as session:
        row = find_row(session, PieceRow, saved.id, "piece")
        assert row.suggested == GRADING.suggested
        assert row.form == str(FINDINGS.form.value)
        assert FINDINGS.finish is not None
        assert row.tarnish_level == FINDINGS.finish.tarnish_level.value


def test_what_is_gone_says_what_to_do(records: Records) -> None:
    with records.reading() as session, pytest.raises(NoSuchRecordError, match="piece") as fault:
        find_row(session, PieceRow, "x" * 300, "piece")
    assert fault.value.fix
    assert fault.value.where is not None and len(fault.value.where) <= 80


@given(st.lists(st.text(max_size=20), max_size=8))
def test_tags_are_each_there_once_sorted_and_clean_for_good(tags: list[str]) -> None:
    once = clean_tags(tags)
    assert once == sorted(set(once))
    assert clean_tags(once) == once
    assert "" not in once
