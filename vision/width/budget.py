"""Which diameter do both edges of a run stand for, and how sure is it?

Both edges go to the reference's plane, and the cylinder that shows them there gives the
diameter (:mod:`vision.width.cylinder`), so tilt and height are settled stretch by stretch.

Uncertainty after JCGM 100: what plain edges leave; how widely the network spreads its
answer, where blur or shadow leave several edges likely; scatter along the piece with as many
independent stretches as its autocorrelation leaves; the scale; the camera's height; a
piece off the table.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import hypot, sqrt

import numpy as np

from rules.findings import Measurement, Unit
from vision.pieces.centreline import smoothed
from vision.types import FloatArray, Scale
from vision.width.cylinder import diameter_of_cylinder
from vision.width.edges import Edges

EDGE_PX, EDGES_REL, DOUBT_SHARE = 0.3, 0.003, 1.5
"""Standard uncertainty of a width's edges: px that plain ones leave, a share that no pixels
cure, and how much of the network's own doubt counts. By the interval score (Gneiting and
Raftery 2007, from memory) of rendered wires and tubes from 8 px on against their true sides: 97
with fair outlines (13 % of the width; 18 with what stood here before: 0.25, 0.005 and 2.5 times
the doubt to the power 1.5) and 96 with a shadow in the outline (25; 33). All and 96 % of their
95 % intervals held; a share of 1.2 scores as well there, but held 85 % of 33 pieces of whole
photos, this one 91 %."""

GAP_STEPS = 2.5
"""Neighbouring stretches so many usual steps apart have others between them."""

LIFT_U_MM = 0.9
"""Standard uncertainty of how far a piece stands off the table: root mean square over 135 wires
and tubes of 200 laid scenes (0.8 to 1.1 of wires and tubes in either mix). Most lie flat; a tube
lies on its fitting, a stripped end as high as its jacket is thick."""


def diameters_mm(edges: Edges, scale: Scale, *, camera_factor: float = 1.0) -> FloatArray:
    """Return the ``(n,)`` diameters that the edges stand for, mm.

    Args:
        edges: Both edges of each stretch.
        scale: Pixels to mm, face height, camera.
        camera_factor: The camera's height is multiplied by this (for its doubt).
    """
    left, right = scale.to_mm(edges.left_px), scale.to_mm(edges.right_px)
    across = _across(left, right)
    foot = np.asarray(scale.camera_mm[:2])
    return diameter_of_cylinder(
        np.sum((left - foot) * across, axis=1),
        np.sum((right - foot) * across, axis=1),
        camera_height_mm=scale.camera_mm[2] * camera_factor,
        face_height_mm=scale.face_height_mm,
    )


def _across(left_mm: FloatArray, right_mm: FloatArray) -> FloatArray:
    """Unit vectors across the axis on the plane: a cut square to the piece in the photo
    is not square to it there once the camera is tilted. Where stretches are left out
    between two, nothing is known of how the axis runs there."""
    middle = (left_mm + right_mm) / 2
    steps = np.linalg.norm(np.diff(middle, axis=0), axis=1)
    usual = float(np.median(steps)) if len(steps) else 0.0
    gaps = np.nonzero(steps > GAP_STEPS * usual)[0] + 1
    return np.concatenate(
        [
            _across_run(m, cut)
            for m, cut in zip(
                np.split(middle, gaps), np.split(right_mm - left_mm, gaps), strict=True
            )
        ]
    )


def _across_run(middle: FloatArray, cut: FloatArray) -> FloatArray:
    if len(middle) < 3:
        unit: FloatArray = cut / np.linalg.norm(cut, axis=1, keepdims=True)
        return unit
    along = np.gradient(np.column_stack([smoothed(middle[:, k], 2.0) for k in (0, 1)]), axis=0)
    across = np.column_stack([along[:, 1], -along[:, 0]])
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12)
    turned: FloatArray = across * np.sign(np.sum(across * cut, axis=1, keepdims=True))
    return turned


def independent(values: FloatArray) -> float:
    """Return how many of these neighbouring values are independent of each other.

    ``n / (1 + 2 sum of autocorrelations)`` up to the first that is not positive.
    """
    n = len(values)
    rest = values - values.mean()
    power = float(np.sum(rest**2))
    if n < 4 or power <= 0:
        return float(n)
    total = 0.0
    for lag in range(1, n // 2):
        rho = float(np.sum(rest[lag:] * rest[:-lag])) / power
        if rho <= 0:
            break
        total += rho
    return max(1.5, n / (1 + 2 * total))


def combined(diameters: FloatArray, edges: Edges, scale: Scale) -> Measurement:
    """Return the diameter with its uncertainty and its parts, from the plain run.

    Args:
        diameters: Of each stretch of the run, mm.
        edges: Of the same stretches.
        scale: Pixels to mm.
    """
    value = float(np.median(diameters))
    n_eff = independent(diameters)
    mm_per_px = value / float(np.median(edges.width_px))
    scatter = 1.4826 * float(np.median(np.abs(diameters - np.median(diameters))))
    higher = diameters_mm(edges, scale, camera_factor=1 + scale.u_camera_rel)
    away = scale.away_u_rel(edges.middles_px)
    budget = {
        "edges": hypot(mm_per_px * EDGE_PX, EDGES_REL * value),
        "layout": mm_per_px * DOUBT_SHARE * float(np.median(edges.doubts_px)),
        "scatter": 1.2533 * scatter / sqrt(n_eff),  # a median is 25 % less sure than a mean
        "scale": value * scale.u_rel,
        "away_from_reference": value * float(np.mean(away)),
        "camera_height": abs(float(np.median(higher / diameters)) - 1) * value,
        "lift": value * LIFT_U_MM / scale.camera_mm[2],
    }
    return of_budget(value, budget, n_eff=n_eff)


def edges_u(size: Measurement) -> float:
    """Return what of a size's doubt is its edges', not the scale's; 0 where its parts are others'.

    In mm, of what :func:`combined` returned.
    """
    return hypot(*(size.budget.get(part, 0.0) for part in ("edges", "layout", "scatter")))


def of_budget(value: float, budget: Mapping[str, float], *, n_eff: float) -> Measurement:
    """Return a size in mm whose uncertainty has these parts, none below zero.

    >>> told = of_budget(1.63, {"edges": 0.03, "scatter": 0.04}, n_eff=9)
    >>> f"u {told.u:.2f} mm, 95 %: {told.low95:.2f} to {told.high95:.2f} mm"
    'u 0.05 mm, 95 %: 1.53 to 1.73 mm'

    Args:
        value: In mm.
        budget: Standard uncertainties in mm; ``scatter`` is what repeated looks gave.
        n_eff: How many independent looks that were.
    """
    u = sqrt(sum(part**2 for part in budget.values()))
    half = coverage_factor(u, budget["scatter"], n_eff - 1) * u
    return Measurement(
        value=value,
        u=u,
        unit=Unit.MILLIMETRE,
        low95=max(0.0, value - half),
        high95=value + half,
        budget=budget,
    )


def coverage_factor(u: float, u_scatter: float, freedom: float) -> float:
    """Return k for 95 %: Student's t at the effective degrees of freedom.

    Welch-Satterthwaite (JCGM 100:2008, G.4) with only the scatter's degrees finite;
    the quantile by Fisher's expansion (Abramowitz and Stegun 26.7.5).

    >>> round(coverage_factor(1.0, 1.0, 5), 2), round(coverage_factor(2.0, 1.0, 5), 2)
    (2.57, 1.99)
    """
    if u_scatter <= 0 or u <= 0:
        return 1.96
    nu = max(freedom, 1.0) * (u / u_scatter) ** 4
    z = 1.959964
    g1 = (z**3 + z) / 4
    g2 = (5 * z**5 + 16 * z**3 + 3 * z) / 96
    g3 = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
    return min(z + g1 / nu + g2 / nu**2 + g3 / nu**3, 12.7)
