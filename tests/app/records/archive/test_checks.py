"""Names that come in by an import are such as could have been typed."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.records.archive import checks
from app.records.archive.checks import check_line, check_named, check_row, register
from app.records.errors import RecordsError
from app.records.models import NAME_LENGTH, Base
from app.records.text import name_key, one_line


@given(st.text(max_size=NAME_LENGTH + 40))
def test_what_was_cleaned_as_typed_passes_and_anything_else_is_refused(text: str) -> None:
    clean = one_line(text)
    if clean:
        check_line(clean, "name")
        check_named({"name": clean, "name_key": name_key(clean)})
    if clean != text or not clean:
        with pytest.raises(RecordsError) as fault:
            check_line(text, "name")
        assert fault.value.where == "name"


@pytest.mark.parametrize("text", ["", "a\nb", "a\x00b", " a", "x" * (NAME_LENGTH + 1)])
def test_odd_names_are_refused(text: str) -> None:
    with pytest.raises(RecordsError):
        check_line(text, "name")


def test_an_empty_name_passes_where_none_is_needed() -> None:
    check_line("", "name", empty=True)


def test_a_key_that_is_not_the_name_s_is_refused() -> None:
    check_named({"name": "Old Yard", "name_key": name_key("Old Yard")})
    with pytest.raises(RecordsError, match="not the key") as fault:
        check_named({"name": "Old Yard", "name_key": "Old Yard"})
    assert fault.value.where == "name_key"


@pytest.fixture
def _own_registry(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(Base.metadata, "info", {})
    yield


@pytest.mark.usefixtures("_own_registry")
def test_each_table_is_checked_by_whoever_owns_it() -> None:
    seen: list[object] = []
    register(rows={"mine": seen.append})
    check_row("mine", {"a": 1})
    check_row("nobodys", {"a": 2})
    assert seen == [{"a": 1}]


@pytest.mark.usefixtures("_own_registry")
def test_a_check_of_all_rows_is_asked_once_however_often_it_is_named() -> None:
    seen: list[object] = []
    for _ in range(3):
        register(rows={}, together=seen.append)
    checks.check_all("session")  # type: ignore[arg-type]
    assert seen == ["session"]
