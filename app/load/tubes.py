"""Which walls is a copper tube of this outer diameter made with?

ASTM B88 types K, L, M; ASTM B280 (air conditioning); EN 1057. The file beside this
module says for each row where it comes from.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files

from app.load.units import LoadError

MATCH_MM = 0.6
"""A tube this near a listed size may be it: photo and ovality, 3 % of 20 mm."""

LEAST_WALL_MM = 0.5
MOST_WALL_SHARE = 0.1
"""No listed size near: 0.5 mm up to a tenth of the diameter; common practice, no source."""


@cache
def tube_sizes() -> tuple[tuple[float, float], ...]:
    """Return all listed sizes, outer diameter and wall in mm."""
    text = files("app.load").joinpath("data", "tubes.csv").read_text(encoding="utf-8")
    return tuple(
        (float(row["od_mm"]), float(row["wall_mm"]))
        for row in csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    )


def walls_mm(outer_mm: float) -> tuple[float, float]:
    """Return the thinnest and the thickest wall that a tube of this diameter is made with."""
    if not outer_mm > 0:
        raise LoadError(f"must be above 0, not {outer_mm}", where="outer_mm")
    near = [wall for outer, wall in tube_sizes() if abs(outer - outer_mm) <= MATCH_MM]
    if near:
        return min(near), max(near)
    low = min(LEAST_WALL_MM, outer_mm / 10)
    return low, max(low, MOST_WALL_SHARE * outer_mm)
