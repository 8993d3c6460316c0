"""Fit how far a width's edges are off, so that its intervals hold what they say.

    python -m bench.width_doubt ROWS.json [ROWS.json...]

Rows come from ``bench.widths --out``, of photos that nothing else was tuned on. Scatter,
scale, camera and lift keep what they are; fitted are the px that plain edges leave, the share
that no pixels cure, and how much of the network's own doubt counts (``EDGE_PX``, ``EDGES_REL``
and ``DOUBT_SHARE`` of ``vision/width/budget.py``), by the likelihood of the errors under
Student's t with four degrees of freedom: a few pieces are always led astray.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import t as student

from bench.widths import is_heap, true_mm
from vision.width.budget import DOUBT_SHARE, EDGE_PX, EDGES_REL

FREEDOM = 4
KEPT_PARTS = ("scatter", "scale", "away_from_reference", "camera_height", "lift")
FLOORS = (0.03, 0.001, 0.1)
"""Least values that are believed: fewer pieces than hundreds can't show less."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Looks:
    """Measured pieces, ``(n,)`` each, relative to their diameters.

    Attributes:
        error: Found over true, less 1.
        width_px: Width in the photo.
        doubt_px: What the network's doubt came to, px.
        kept: Standard uncertainty of the parts that are not fitted.
    """

    error: Floats
    width_px: Floats
    doubt_px: Floats
    kept: Floats

    def u(self, parts: Sequence[float] | Floats) -> Floats:
        """Return the relative standard uncertainties for these three parts."""
        edge_px, edges_rel, doubt_share = parts
        return np.asarray(
            np.sqrt(
                (edge_px / self.width_px) ** 2
                + edges_rel**2
                + (doubt_share * self.doubt_px / self.width_px) ** 2
                + self.kept**2
            )
        )


def looks_of(rows: Sequence[Mapping[str, Any]]) -> Looks:
    """Return the wires and tubes among some rows that were measured."""
    columns = []
    for row in rows:
        found = row["found"]
        if not found or not found["diameter"] or not found["width_px"] or is_heap(row["truth"]):
            continue
        if row["truth"]["form"] not in ("wire", "tube"):
            continue
        told = found["diameter"]
        value, parts = told["value"], told["budget"]
        px = found["width_px"] / value
        columns.append(
            (
                value / true_mm(row, "diameter") - 1,
                found["width_px"],
                parts["layout"] * px / DOUBT_SHARE,
                np.hypot.reduce([parts[name] for name in KEPT_PARTS]) / value,
            )
        )
    error, width_px, doubt_px, kept = np.array(columns, float).T
    return Looks(error=error, width_px=width_px, doubt_px=doubt_px, kept=kept)


def fitted(looks: Looks) -> tuple[float, ...]:
    """Return the three parts of greatest likelihood."""

    def loss(logs: Floats) -> float:
        u = looks.u(np.exp(logs))
        return float(-student.logpdf(looks.error, FREEDOM, scale=u).mean())

    start = np.log([EDGE_PX, EDGES_REL, DOUBT_SHARE])
    bounds = [(np.log(low), np.log(100 * low)) for low in FLOORS]
    found = minimize(loss, start, method="Powell", bounds=bounds)
    return tuple(float(part) for part in np.exp(found.x))


def told(looks: Looks, parts: Sequence[float]) -> str:
    """Return in words how the intervals of these parts hold, by width."""
    u = looks.u(parts)
    lines = [
        f"EDGE_PX {parts[0]:.3f}, EDGES_REL {parts[1]:.4f}, DOUBT_SHARE {parts[2]:.2f}: "
        f"mean log density {student.logpdf(looks.error, FREEDOM, scale=u).mean():.3f}"
    ]
    for low, high in ((0, 12), (12, 20), (20, 50), (50, 150), (150, 1e9), (0, 1e9)):
        own = (looks.width_px >= low) & (looks.width_px < high)
        if own.any():
            held = np.abs(looks.error[own]) <= 1.96 * u[own]
            lines.append(
                f"  {low:g} px on, n {own.sum()}: 95 % interval holds {100 * held.mean():.0f} %, "
                f"u {100 * np.median(u[own]):.2f} %, error "
                f"{100 * np.median(np.abs(looks.error[own])):.2f} % (medians)"
            )
    return "\n".join(lines)


def main() -> None:
    """Fit and tell, before and after."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("rows", type=Path, nargs="+")
    asked = parser.parse_args()
    rows = [row for path in asked.rows for row in json.loads(path.read_text(encoding="utf-8"))]
    looks = looks_of(rows)
    print("now:", told(looks, (EDGE_PX, EDGES_REL, DOUBT_SHARE)))
    print("fitted:", told(looks, fitted(looks)))


if __name__ == "__main__":
    main()
