"""The table of coins against what mints and laws publish."""

from __future__ import annotations

import pytest

from rules.errors import ContractError
from vision.reference.coin.kinds import COIN_KEYS, NOT_USABLE, coin, coins_of


@pytest.mark.parametrize(
    ("key", "diameter_mm", "thickness_mm"),
    [
        # US Mint, coin specifications page
        ("us-1c", 19.05, 1.52),
        ("us-25c", 24.26, 1.75),
        ("us-1", 26.49, 2.00),
        # Council Regulation (EC) No 975/98, annex
        ("eu-1c", 16.25, 1.67),
        ("eu-2", 25.75, 2.20),
        ("eu-20c", 22.25, 2.14),
        # Royal Mint figures as quoted by coin guides; 20.03 in a 2002 table is a misprint
        ("gb-1p", 20.3, 1.65),
        ("ca-10c", 18.03, 1.22),
    ],
)
def test_sizes_are_those_published(key: str, diameter_mm: float, thickness_mm: float) -> None:
    assert coin(key).diameter_mm == diameter_mm
    assert coin(key).thickness_mm == thickness_mm


def test_the_australian_five_cents_keep_under_their_legal_maximum() -> None:
    # Currency (Royal Australian Mint) Determination 2004 (No. 5): at most 19.53 mm,
    # 1.55 mm thick; the only published limits found for any coin.
    assert coin("au-5c").diameter_mm + coin("au-5c").u_diameter_mm <= 19.53
    assert coin("au-5c").thickness_mm <= 1.55


@pytest.mark.parametrize("key", ["gb-50p", "gb-20p", "gb-1", "ca-1"])
def test_coins_with_sides_are_refused_with_the_reason(key: str) -> None:
    with pytest.raises(ContractError, match="sides"):
        coin(key)
    assert key not in COIN_KEYS


def test_an_unknown_key_is_refused() -> None:
    with pytest.raises(ContractError, match="no such coin"):
        coin("eu-3")


def test_kin_are_the_coins_of_one_country() -> None:
    assert [c.key for c in coins_of(coin("eu-50c"))] == [k for k in COIN_KEYS if k[:2] == "eu"]
    assert coin("eu-50c") in coins_of(coin("eu-1c"))


@pytest.mark.parametrize("key", COIN_KEYS)
def test_every_coin_is_of_a_size_that_coins_have(key: str) -> None:
    # Circulating coins lie between 15 and 33 mm and are 1 to 4 mm thick (common practice).
    one = coin(key)
    assert 15 < one.diameter_mm < 33
    assert 1 <= one.thickness_mm <= 4
    assert one.u_diameter_mm > 0
    assert one.name.startswith(f"{key[:2].upper()} ")
    assert one in coins_of(one)


def test_euro_cents_grow_with_their_value_within_a_metal() -> None:
    # Council Regulation (EC) No 975/98, annex I: each metal's coins grow with their value.
    for keys in (("eu-1c", "eu-2c", "eu-5c"), ("eu-10c", "eu-20c", "eu-50c")):
        sizes = [coin(key).diameter_mm for key in keys]
        assert sizes == sorted(sizes)
        assert len({coin(key).colour for key in keys}) == 1


def test_no_coin_is_both_usable_and_not() -> None:
    assert not set(COIN_KEYS) & set(NOT_USABLE)
