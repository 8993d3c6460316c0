"""What a record's pages show of a pair, and what they keep to themselves before a call."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from app.records.types import PhotoRole
from app.web.records import view


@pytest.mark.parametrize("read", [True, False])
def test_what_the_highlight_says_is_told_only_where_it_may_sway(
    read: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[str] = []
    monkeypatch.setattr(view, "pair_picture", lambda _: b"jpeg")
    monkeypatch.setattr(view, "name_of", lambda _: "tube")
    monkeypatch.setattr(view, "show_picture", lambda _, alt: told.append(alt))
    monkeypatch.setattr("streamlit.caption", told.append)
    place = SimpleNamespace(told="bare, says the spot")
    record: Any = SimpleNamespace(
        id="1", photos=[SimpleNamespace(role=PhotoRole.FLASH, place=place)]
    )
    view.show_pair(record, read=read)
    assert len(told) == 2
    assert all(("says the spot" in words) is read for words in told)
