"""How sure may we say we are? Turns shares of draws into a told confidence.

The shares of draws are honest where the findings' uncertainties are. What they leave
out when a photo was read is corrected by three numbers, kept as data with their date
in ``calibration.toml``: a temperature (Guo et al. 2017, "On calibration of modern
neural networks"), a lapse rate for the pieces that were read quite wrongly (another
object, two pieces in one), which no draw knows of, and for each grade the least
probability with which it is still plausible (conformal prediction class by class: Vovk,
Gammerman and Shafer 2005, section 4.5; Sadinle, Lei and Wasserman 2019). Findings typed by
hand need none of it: the person answers for them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import as_file, files
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from rules.errors import ContractError, RuleFileError
from rules.toml_lines import read_toml

# Decide where one grade has at least 0.8 and no other 0.15: the guarded acceptance
# of JCGM 106 (clause 8.3.2), for findings that a person typed and answers for. Read off a
# photo, the calibration's own limit counts: under 1 % wrong among the decided.
DECIDE_P = 0.8
SECOND_P = 0.15
# Below one half the most likely grade is more often wrong than right: name none.
SUGGEST_P = 0.5
# Less familiar than this, nothing that was read off a photo is ever decided.
FAMILIAR = 0.5
# How often what is unfamiliar is read quite wrongly: as often as not, which no figure backs
# better. With four grades no confidence is then above 0.63.
STRANGE_LAPSE = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """What corrects the shares of draws of a piece read off a photo.

    Attributes:
        temperature: Softens (above 1) or sharpens (below 1) the shares.
        lapse: Chance that the piece was read quite wrongly; spread over all grades.
        plausible_p: A grade at least this likely is plausible, where it has no limit of
            its own.
        plausible_p_of: The limit of each grade that the photos it was fitted on had.
        decide_p: A piece is decided where one grade is at least this likely.
        date: When it was fitted, ISO 8601; empty for none.
        photos: How many photos it was fitted on.
        mix: What was on them, in words.
        source: On what it was fitted.
    """

    temperature: float = 1.0
    lapse: float = 0.0
    plausible_p: float = 0.05
    plausible_p_of: Mapping[str, float] = field(default_factory=dict)
    decide_p: float = DECIDE_P
    date: str = ""
    photos: int = 0
    mix: str = ""
    source: str = "none: shares of draws as they are"

    def __post_init__(self) -> None:
        if not (isfinite(self.temperature) and 0.05 <= self.temperature <= 20):
            raise ContractError(f"must be 0.05 to 20, not {self.temperature}", where="temperature")
        for name in ("lapse", "plausible_p", "decide_p"):
            value = getattr(self, name)
            if not 0 <= value < 1:
                raise ContractError(f"must be 0 to 1, not {value}", where=name)
        for grade, value in self.plausible_p_of.items():
            if not 0 <= value < 1:
                raise ContractError(f"must be 0 to 1, not {value}", where=f"plausible_p of {grade}")

    def applied(self, p: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the probabilities to tell, ``(..., grades)``; they add up to 1 like ``p``."""
        if self.temperature != 1.0:
            # The largest is divided out first, so that no power can underflow all of them.
            raised = (p / p.max(axis=-1, keepdims=True)) ** (1.0 / self.temperature)
            p = raised / raised.sum(axis=-1, keepdims=True)
        softened: NDArray[np.float64] = (1 - self.lapse) * p + self.lapse / p.shape[-1]
        return softened


PLAIN = Calibration()


@lru_cache(maxsize=1)
def photo_calibration() -> Calibration:
    """Return the calibration of ``calibration.toml``, for pieces read off a photo."""
    with as_file(files("rules").joinpath("calibration.toml")) as path:
        values = read_toml(path).values
    numbers = ("temperature", "lapse", "plausible_p", "decide_p", "photos")
    texts = ("date", "mix", "source")
    of = values.get("plausible_p_of")
    if not (
        all(isinstance(values.get(name), int | float) for name in numbers)
        and all(isinstance(values.get(name), str) for name in texts)
        and isinstance(of, dict)
        and all(isinstance(value, int | float) for value in of.values())
    ):
        needed = ", ".join((*numbers, *texts, "plausible_p_of"))
        raise RuleFileError(f"must hold {needed}", where="calibration.toml")
    return Calibration(**{name: values[name] for name in (*numbers, *texts, "plausible_p_of")})


def plausible(
    p: NDArray[np.float64], calibration: Calibration, *, grades: Sequence[str] = ()
) -> NDArray[np.int64]:
    """Return the grades that may be true, by their column, the most likely first.

    Of pieces of each grade ``k`` like those of the calibration 95 in 100 have it among them:
    it is told where ``p[k]`` is at least the limit of that grade.

    Args:
        p: ``(grades,)`` probabilities, calibrated.
        calibration: Holds the limits.
        grades: The grades' ids, in the order of ``p``; without them one limit serves all.
    """
    of = [calibration.plausible_p_of.get(g, calibration.plausible_p) for g in grades]
    least = np.array(of or [calibration.plausible_p] * len(p))
    order = np.argsort(-p, kind="stable")
    kept = order[p[order] >= least[order]]
    return kept if len(kept) else order[:1]


def is_decided(p: NDArray[np.float64], calibration: Calibration = PLAIN) -> bool:
    """Return whether one grade is likely enough, and no other near it."""
    ordered = np.sort(p)[::-1]
    return bool(ordered[0] >= calibration.decide_p and (len(ordered) == 1 or ordered[1] < SECOND_P))
