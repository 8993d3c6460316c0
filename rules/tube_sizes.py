"""In which sizes is copper tube made?

ASTM B88 types K, L, M; ASTM B280 (air conditioning); EN 1057. ``tubes.csv`` says for each row
where it comes from.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files


@cache
def tube_sizes() -> tuple[tuple[float, float], ...]:
    """Return all listed sizes, outer diameter and wall in mm."""
    text = files("rules").joinpath("tubes.csv").read_text(encoding="utf-8")
    return tuple(
        (float(row["od_mm"]), float(row["wall_mm"]))
        for row in csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    )
