"""How sure may we say we are? Turns shares of draws into a told confidence.

The shares of draws are honest where the findings' uncertainties are. What they
leave out is corrected by one temperature (Guo et al. 2017, "On calibration of
modern neural networks"), kept as data with its date in ``calibration.toml``;
1 leaves the shares as they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import as_file, files
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from rules.errors import ContractError, RuleFileError
from rules.toml_lines import read_toml

# Decide where one grade has at least 0.8 and no other 0.15: the guarded acceptance
# of JCGM 106 (clause 8.3.2), with the risk that a yard is asked to bear. Chosen
# with the accuracy asked of the tool: under 2 % wrong among the decided.
DECIDE_P = 0.8
SECOND_P = 0.15
# Below one half the most likely grade is more often wrong than right: name none.
SUGGEST_P = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Temperature:
    """One number that softens (above 1) or sharpens (below 1) probabilities.

    Attributes:
        value: The temperature, above 0.
        date: When it was fitted, ISO 8601; empty for none.
        source: On what it was fitted.
    """

    value: float = 1.0
    date: str = ""
    source: str = "none: shares of draws as they are"

    def __post_init__(self) -> None:
        if not (isfinite(self.value) and 0.05 <= self.value <= 20):
            raise ContractError(f"must be 0.05 to 20, not {self.value}", where="temperature")

    def applied(self, p: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return probabilities ``p ** (1 / value)``, adding up to 1 again."""
        if self.value == 1.0:
            return p
        # The largest is divided out first, so that no power can underflow all of them.
        raised = (p / p.max()) ** (1.0 / self.value)
        scaled: NDArray[np.float64] = raised / raised.sum()
        return scaled


@lru_cache(maxsize=1)
def shipped_temperature() -> Temperature:
    """Return the temperature of ``calibration.toml``."""
    with as_file(files("rules").joinpath("calibration.toml")) as path:
        values = read_toml(path).values
    value, date, source = (values.get(k) for k in ("temperature", "date", "source"))
    if not (isinstance(value, int | float) and isinstance(date, str) and isinstance(source, str)):
        raise RuleFileError("must hold temperature, date and source", where="calibration.toml")
    return Temperature(value=float(value), date=date, source=source)


def is_decided(p: NDArray[np.float64]) -> bool:
    """Return whether one grade is likely enough, and no other near it."""
    ordered = np.sort(p)[::-1]
    return bool(ordered[0] >= DECIDE_P and (len(ordered) == 1 or ordered[1] < SECOND_P))
