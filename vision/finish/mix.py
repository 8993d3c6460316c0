"""How much do the network and physics each count? Constants, kept as data with their date.

Both look at the same pixels: the network at texture and shape, physics at colour under
the light of the photo. Their log probabilities are added with fitted weights, a
logarithmic opinion pool (Genest & Zidek, Statist. Sci. 1 (1986) 114); what the fit
found is in ``data/finish_mix.toml`` (made by models/recipe/fits/finish_mix.py).
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from math import isfinite
from typing import Any

from rules.errors import ContractError

SCHEMA = "cuproscope.finish-mix/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagWeights:
    """Log-odds that a part is brass (or solder) from what speaks for it.

    Attributes:
        bias: Log-odds to begin with.
        network: Times the log-odds of the network's highest smoothed probability.
        physics: Times the log-odds that its colour is that of the metal.
        size: Times the logarithm of its area in squares of the piece's width.
    """

    bias: float = 0.0
    network: float = 1.0
    physics: float = 0.0
    size: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Mix:
    """Weights of network and physics, and how sure they are together.

    Attributes:
        network: Weight of the network's log probabilities.
        physics: Weight of the physical classes' log probabilities.
        together: Part of a pixel's class doubt that is common to the whole piece; the
            rest averages out over patches.
        level_network: Weight of the network's tarnish level, 0 to 1; physics has the rest.
        u_level: Standard uncertainty of the mixed level of wholly bare metal.
        brass: Weights for brass.
        solder: Weights for solder.
        date: When it was fitted, ISO 8601; empty for none.
        source: On what.
    """

    network: float = 1.0
    physics: float = 0.0
    together: float = 0.7
    level_network: float = 1.0
    u_level: float = 0.1
    brass: FlagWeights = FlagWeights()
    solder: FlagWeights = FlagWeights()
    date: str = ""
    source: str = ""

    def __post_init__(self) -> None:
        for name in ("network", "physics", "u_level"):
            value = getattr(self, name)
            if not (isfinite(value) and value >= 0):
                raise ContractError(f"{name} must be at least 0, not {value}", where="mix")
        for name in ("together", "level_network"):
            if not 0 <= getattr(self, name) <= 1:
                raise ContractError(f"{name} must be 0 to 1", where="mix")


NETWORK_ALONE = Mix()
"""The network without physics, to compare with (bench/compare.py)."""


@lru_cache(maxsize=1)
def shipped_mix() -> Mix:
    """Return the constants that come with the program."""
    text = files("vision").joinpath("data/finish_mix.toml").read_text(encoding="utf-8")
    return mix_of(tomllib.loads(text))


def mix_of(data: dict[str, Any]) -> Mix:
    """Return the constants of a parsed file.

    Raises:
        ContractError: It is not such a file, or holds nonsense.
    """
    if data.get("schema") != SCHEMA:
        raise ContractError(f"schema must be {SCHEMA}", where="finish_mix.toml")
    try:
        return Mix(
            network=float(data["network"]),
            physics=float(data["physics"]),
            together=float(data["together"]),
            level_network=float(data["level_network"]),
            u_level=float(data["u_level"]),
            brass=FlagWeights(**data["brass"]),
            solder=FlagWeights(**data["solder"]),
            date=str(data["date"]),
            source=str(data["source"]),
        )
    except (KeyError, TypeError, ValueError) as fault:
        raise ContractError(f"can't be used: {fault}", where="finish_mix.toml") from fault
