"""Which walls is a copper tube of this outer diameter made with?"""

from __future__ import annotations

from app.load.units import LoadError
from rules.tube_sizes import tube_sizes

MATCH_MM = 0.6
"""A tube this near a listed size may be it: photo and ovality, 3 % of 20 mm."""

LEAST_WALL_MM = 0.5
MOST_WALL_SHARE = 0.1
"""No listed size near: 0.5 mm up to a tenth of the diameter; common practice, no source."""


def walls_mm(outer_mm: float) -> tuple[float, float]:
    """Return the thinnest and the thickest wall that a tube of this diameter is made with."""
    if not outer_mm > 0:
        raise LoadError(f"must be above 0, not {outer_mm}", where="outer_mm")
    near = [wall for outer, wall in tube_sizes() if abs(outer - outer_mm) <= MATCH_MM]
    if near:
        return min(near), max(near)
    low = min(LEAST_WALL_MM, outer_mm / 10)
    return low, max(low, MOST_WALL_SHARE * outer_mm)
