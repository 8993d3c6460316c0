"""Which coins can serve as the scale, and how large are they?"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from importlib.resources import files

from rules.errors import ContractError

U_DIAMETER_MM = 0.1
"""Standard uncertainty of a coin's diameter, wear included. No tolerance is published
but one legal maximum (Australian 5 cents, 0.12 mm over nominal); 0.1 mm is assumed."""


class CoinColour(StrEnum):
    """What a coin is coloured like, from the middle to the rim."""

    COPPER = "copper"
    WHITE = "white"
    GOLDEN = "golden"
    GOLDEN_RING = "golden_ring"
    WHITE_RING = "white_ring"


@dataclass(frozen=True, slots=True, kw_only=True)
class Coin:
    """One kind of coin, as issued.

    Attributes:
        key: Country and face value, e.g. ``eu-1``.
        name: For people, e.g. ``EU 1 euro``.
        diameter_mm: Nominal diameter.
        u_diameter_mm: Standard uncertainty of one coin's diameter, wear included.
        thickness_mm: Nominal thickness at the rim.
        colour: What it is coloured like.
    """

    key: str
    name: str
    diameter_mm: float
    u_diameter_mm: float
    thickness_mm: float
    colour: CoinColour


NOT_USABLE = {
    "gb-20p": "it has seven sides, so its width depends on where you measure",
    "gb-50p": "it has seven sides, so its width depends on where you measure",
    "gb-1": "it has twelve sides, so its width depends on where you measure",
    "ca-1": "it has eleven sides, so its width depends on where you measure",
    "au-50c": "it has twelve sides, so its width depends on where you measure",
    "jp-5": "its hole makes it look like a washer",
    "jp-50": "its hole makes it look like a washer",
    "in-1": "several diameters of it are in use",
    "in-2": "several diameters of it are in use",
    "in-5": "several diameters of it are in use",
}
"""Coins that people may name and that can't serve, and why."""


@lru_cache(maxsize=1)
def _coins() -> dict[str, Coin]:
    text = files("vision").joinpath("data/coins.csv").read_text(encoding="utf-8")
    return {
        row["key"]: Coin(
            key=row["key"],
            name=f"{row['country']} {row['coin']}",
            diameter_mm=float(row["diameter_mm"]),
            u_diameter_mm=U_DIAMETER_MM,
            thickness_mm=float(row["thickness_mm"]),
            colour=CoinColour(row["colour"]),
        )
        for row in csv.DictReader(text.splitlines())
    }


COIN_KEYS: tuple[str, ...] = tuple(_coins())


def coin(key: str) -> Coin:
    """Return the coin of a key, e.g. ``eu-1``.

    >>> coin("eu-1").diameter_mm, coin("eu-1").colour.value
    (23.25, 'golden_ring')

    Raises:
        ContractError: No such coin, or one that can't serve as a scale, with the reason.
    """
    if key in NOT_USABLE:
        raise ContractError(f"can't serve as a scale: {NOT_USABLE[key]}", where=key)
    try:
        return _coins()[key]
    except KeyError:
        raise ContractError(f"no such coin; known are {', '.join(COIN_KEYS)}", where=key) from None


def coins_of(one: Coin) -> tuple[Coin, ...]:
    """Return all coins of the same country, itself included."""
    country = one.key.split("-")[0]
    return tuple(c for c in _coins().values() if c.key.split("-")[0] == country)
