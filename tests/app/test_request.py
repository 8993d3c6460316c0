"""What lies beside the piece, as it is typed."""

from __future__ import annotations

import pytest

from app.request import CHECK_BAR_MM, FORMS, reference_key
from rules.errors import CuproscopeError
from rules.findings import Form
from vision.reference.sheet import BAR_MM


@pytest.mark.parametrize("key", ["auto", "card", "sheet", "marker:40", "us-1c", "eu-50c", "gb-1p"])
def test_what_the_contract_names_is_a_reference(key: str) -> None:
    assert reference_key(key) == key


@pytest.mark.parametrize("text", ["eu-3", "xx-1c", "penny", "", "marker:0", "marker:abc"])
def test_anything_else_is_refused_with_what_there_is(text: str) -> None:
    with pytest.raises(CuproscopeError):
        reference_key(text)


def test_an_unknown_coin_is_told_with_all_there_are() -> None:
    with pytest.raises(CuproscopeError, match=r"us-25c.*gb-1p"):
        reference_key("us-3c")


def test_the_bar_is_as_long_as_the_sheet_has_it() -> None:
    assert CHECK_BAR_MM == BAR_MM


def test_a_cut_end_may_be_stated_in_place_of_a_form() -> None:
    assert set(FORMS) == {*map(str, Form), "cut_end"}
