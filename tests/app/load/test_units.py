"""Mass and money: exact pound, cents that add up."""

from __future__ import annotations

from decimal import Decimal, getcontext, localcontext

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.load.units import (
    KG_PER_LB,
    LoadError,
    MassUnit,
    in_unit,
    kg_from,
    line_amount,
    mass_from,
    mass_words,
    minor_digits,
    money_from,
    money_words,
    price_from,
    rounded,
    share_of,
    total,
)

readings = st.decimals(0, 99_999, places=3)
prices = st.decimals(0, 500, places=4)


def test_the_pound_is_exact() -> None:
    # International yard and pound agreement, 1959: 0.45359237 kg exactly.
    assert Decimal("0.45359237") == KG_PER_LB
    assert kg_from(Decimal(100), MassUnit.LB) == Decimal("45.359237")


@given(readings)
def test_pounds_come_back_as_they_were_read(pounds: Decimal) -> None:
    assert in_unit(kg_from(pounds, MassUnit.LB), MassUnit.LB) == pounds


def test_currencies_have_their_own_minor_unit() -> None:
    # ISO 4217: US dollar 2, yen 0, Bahraini dinar 3.
    assert [minor_digits(code) for code in ("USD", "JPY", "BHD")] == [2, 0, 3]


@pytest.mark.parametrize("code", ["usd", "XYZ", "", "XAU", "dollars"])
def test_what_is_no_currency_is_refused(code: str) -> None:
    with pytest.raises(LoadError):
        minor_digits(code)


def test_a_line_worked_by_hand() -> None:
    # 37.25 lb at 3.455 a pound: 37.25 * 3.455 = 128.69875, rounded once: 128.70.
    kg = kg_from(Decimal("37.25"), MassUnit.LB)
    amount = line_amount(kg, price=Decimal("3.455"), per=MassUnit.LB, currency="USD")
    assert amount == Decimal("128.70")
    # In yen there is nothing behind the point: 10 kg at 1234.55 is 12345.5, up to 12346.
    yen = line_amount(Decimal(10), price=Decimal("1234.55"), per=MassUnit.KG, currency="JPY")
    assert yen == Decimal(12346)


def test_half_a_cent_goes_away_from_nothing() -> None:
    assert rounded(Decimal("0.005"), "USD") == Decimal("0.01")
    assert rounded(Decimal("2.675"), "USD") == Decimal("2.68")


@given(st.lists(st.tuples(readings, prices), max_size=20))
def test_a_total_is_the_sum_of_its_lines_to_the_cent(sold: list[tuple[Decimal, Decimal]]) -> None:
    lines = [
        line_amount(kg_from(lb, MassUnit.LB), price=price, per=MassUnit.LB, currency="USD")
        for lb, price in sold
    ]
    # In whole cents there is no rounding left to differ by.
    assert total(lines) * 100 == sum(int(line * 100) for line in lines)


def test_somebody_elses_decimal_context_changes_no_cent() -> None:
    kg = kg_from(Decimal("1234.567"), MassUnit.LB)
    usual = line_amount(kg, price=Decimal("4.125"), per=MassUnit.LB, currency="USD")
    with localcontext() as context:
        context.prec = 4
        context.rounding = "ROUND_DOWN"
        assert getcontext().prec == 4
        narrow = line_amount(kg, price=Decimal("4.125"), per=MassUnit.LB, currency="USD")
    assert narrow == usual == Decimal("5092.59")  # 1234.567 * 4.125 = 5092.588875


@pytest.mark.parametrize(
    ("text", "kg"),
    [("12.5 kg", "12.5"), ("27lb", "12.24699399"), ("1,5 KG", "1.5"), (" 0 kg ", "0")],
)
def test_masses_are_read_as_written(text: str, kg: str) -> None:
    assert mass_from(text) == Decimal(kg)


@pytest.mark.parametrize("text", ["12", "12 t", "-1 kg", "nan kg", "1e9 kg", "kg", "1,234 lb"])
def test_masses_that_say_nothing_sure_are_refused(text: str) -> None:
    with pytest.raises(LoadError):
        mass_from(text)


def test_money_with_too_many_decimals_is_refused() -> None:
    assert money_from("12.5", "USD") == Decimal("12.50")
    with pytest.raises(LoadError):
        money_from("12.505", "USD")
    with pytest.raises(LoadError):
        money_from("12.5", "JPY")
    assert price_from("3.4525") == Decimal("3.4525")
    with pytest.raises(LoadError):
        price_from("3.45251234")


def test_shares_of_a_mass_are_whole_tenths_of_a_gram() -> None:
    assert share_of(Decimal(1), 1 / 3) == Decimal("0.3333")


def test_words_for_people() -> None:
    assert money_words(Decimal("1234.5"), "USD") == "USD 1,234.50"
    assert mass_words(Decimal("0.45359237"), MassUnit.LB) == "1.00 lb"
