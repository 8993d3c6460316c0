"""How heavy is it: read off a scale, or estimated from its size?

An estimate is length × cross-section × density. It is always marked as one, with its
interval, and never mixed with a reading under one name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from math import hypot, isfinite, pi, sqrt

from app.load.units import EXACT, GRAM_TENTH, MOST_KG, LoadError, MassUnit, bounded, kg_from
from rules.findings import K95, Form, Measurement
from rules.gauge import CONDUCTOR_KG_PER_M3

TUBE_KG_PER_M3 = 8940.0
"""Density behind the tube tables of ASTM B88 (their weights agree with it within 0.6 %)."""

DENSITY_U_REL = 0.002
"""Between the 8.89 of conductor tables and the 8.96 of pure copper: ± 0.4 % at 95 %."""

FILL_LOW, FILL_HIGH = 0.68, 0.86
"""Copper share of a stranded bundle's circle. N round strands of 1/3, 1/5, 1/7 of the
bundle fill 7/9, 19/25, 37/49 (geometry); fanned or loose ones less, compacted more."""

OUTLINE_U_REL = 0.03
"""Length from a piece's outline: bends, ragged ends and height over the table. An
estimate of ours, not measured on real photos."""


class WeightOrigin(StrEnum):
    """Where a weight comes from; the two are never shown alike."""

    SCALE = "scale"
    ESTIMATED = "estimated"


@dataclass(frozen=True, slots=True, kw_only=True)
class Weight:
    """One mass.

    Attributes:
        kg: Best estimate, exact where it was read off a scale.
        u_kg: Standard uncertainty (k = 1).
        low95_kg: Lower end of the 95 % interval.
        high95_kg: Upper end of the 95 % interval.
        origin: Scale or estimate.
        how: In words, for the ticket.
    """

    kg: Decimal
    u_kg: float
    low95_kg: float
    high95_kg: float
    origin: WeightOrigin
    how: str = ""

    def __post_init__(self) -> None:
        bounded(self.kg, what="weight", high=MOST_KG)
        if not (isfinite(self.u_kg) and self.u_kg >= 0):
            raise LoadError(f"uncertainty can't be {self.u_kg}", where="weight")
        if not (isfinite(self.low95_kg) and isfinite(self.high95_kg)):
            raise LoadError("the interval has no end", where="weight")
        slack = 1e-9 * (1 + float(self.kg))
        if not self.low95_kg - slack <= float(self.kg) <= self.high95_kg + slack:
            raise LoadError("the interval does not hold the value", where="weight")

    @property
    def is_estimated(self) -> bool:
        """Whether no scale was involved."""
        return self.origin is WeightOrigin.ESTIMATED


def of_normal(kg: Decimal, u_kg: float, origin: WeightOrigin, how: str = "") -> Weight:
    """Return a weight whose doubt is normal, its interval cut at 0 kg."""
    value = float(kg)
    return Weight(
        kg=kg,
        u_kg=u_kg,
        low95_kg=max(0.0, value - K95 * u_kg),
        high95_kg=value + K95 * u_kg,
        origin=origin,
        how=how,
    )


def read_scale(
    gross: Decimal,
    *,
    unit: MassUnit,
    tare: Decimal = Decimal(0),
    step: Decimal | None = None,
    u_scale_rel: float = 0.0,
) -> Weight:
    """Return the net weight of a scale reading.

    Args:
        gross: What the scale shows with the container, in ``unit``.
        unit: kg or lb.
        tare: What it shows with the empty container, in ``unit``.
        step: The scale's step, in ``unit``; None takes the last decimal that was typed.
            Each of the two readings is off by at most half of it: rectangular,
            ``step / sqrt(12)`` (JCGM 100, 4.3.7).
        u_scale_rel: Relative standard uncertainty of the scale itself, where known.

    Raises:
        LoadError: The tare is more than the gross, or the step is no step.
    """
    if not gross >= tare >= 0:
        raise LoadError(f"the tare ({tare}) can't be more than the gross ({gross})", where="scale")
    if step is None:
        exponents = [int(v.as_tuple().exponent) for v in (gross, tare) if v]
        step = Decimal(1).scaleb(min([0, *exponents]))
    if not (step.is_finite() and step > 0):
        raise LoadError(f"the scale's step can't be {step}", where="scale")
    kg = kg_from(EXACT.subtract(gross, tare), unit)
    readings = 1 if tare == 0 else 2
    u_step = float(kg_from(step, unit)) * sqrt(readings / 12)
    return of_normal(
        kg,
        hypot(u_step, u_scale_rel * float(kg)),
        WeightOrigin.SCALE,
        f"scale {gross} {unit}" + (f", tare {tare} {unit}" if tare else ""),
    )


def estimated(low_kg: float, kg: float, high_kg: float, u_kg: float, how: str) -> Weight:
    """Return an estimate in whole tenths of a gram."""
    value = Decimal(repr(kg)).quantize(GRAM_TENTH, context=EXACT)
    return Weight(
        kg=value,
        u_kg=u_kg,
        low95_kg=max(0.0, min(low_kg, float(value))),
        high95_kg=max(high_kg, float(value)),
        origin=WeightOrigin.ESTIMATED,
        how=how,
    )


def wire_weight(*, diameter_mm: float, u_mm: float, length_mm: float, u_length_mm: float) -> Weight:
    """Return the estimated weight of solid wire: ``π/4 d² L × 8890 kg/m³``.

    Mass goes as the square of the diameter, so its relative doubt counts twice.
    Handbook check: 12.43, 19.77, 31.43 lb per 1000 ft of 14, 12, 10 AWG.
    """
    _positive(diameter_mm=diameter_mm, length_mm=length_mm)
    kg = pi / 4 * diameter_mm**2 * length_mm * 1e-9 * CONDUCTOR_KG_PER_M3
    u_rel = _root(2 * u_mm / diameter_mm, u_length_mm / length_mm, DENSITY_U_REL)
    return _with_rel(kg, u_rel, f"solid wire {diameter_mm:.2f} mm × {length_mm / 1000:.2f} m")


def cable_weight(*, bundle_mm: float, u_mm: float, length_mm: float, u_length_mm: float) -> Weight:
    """Return the estimated weight of a bare stranded bundle from its outer diameter.

    The copper fills 68 to 86 % of the circle, rectangular: the largest part of the doubt.
    """
    _positive(bundle_mm=bundle_mm, length_mm=length_mm)
    fill = (FILL_LOW + FILL_HIGH) / 2
    kg = pi / 4 * bundle_mm**2 * fill * length_mm * 1e-9 * CONDUCTOR_KG_PER_M3
    u_fill_rel = (FILL_HIGH - FILL_LOW) / sqrt(12) / fill
    u_rel = _root(2 * u_mm / bundle_mm, u_length_mm / length_mm, DENSITY_U_REL, u_fill_rel)
    return _with_rel(kg, u_rel, f"strands, bundle {bundle_mm:.2f} mm × {length_mm / 1000:.2f} m")


def tube_weight(
    *,
    outer_mm: float,
    u_mm: float,
    length_mm: float,
    u_length_mm: float,
    wall_low_mm: float,
    wall_high_mm: float,
) -> Weight:
    """Return the estimated weight of tube: ``π (D - w) w L × 8940 kg/m³``.

    Args:
        wall_low_mm: Thinnest wall that such tube is made with; equal to the other where
            the wall was measured.
        wall_high_mm: Thickest.
    """
    _positive(outer_mm=outer_mm, length_mm=length_mm, wall_low_mm=wall_low_mm)
    if not wall_low_mm <= wall_high_mm < outer_mm / 2:
        raise LoadError(
            f"a wall of {wall_low_mm:g} to {wall_high_mm:g} mm does not fit a tube of "
            f"{outer_mm:g} mm",
            where="wall",
        )

    def kg_of(wall_mm: float) -> float:
        return pi * (outer_mm - wall_mm) * wall_mm * length_mm * 1e-9 * TUBE_KG_PER_M3

    low, high = kg_of(wall_low_mm), kg_of(wall_high_mm)
    kg = (low + high) / 2
    u_size = kg * _root(
        u_mm / (outer_mm - (wall_low_mm + wall_high_mm) / 2), u_length_mm / length_mm, DENSITY_U_REL
    )
    wall = (
        f"wall {wall_low_mm:.2f} mm"
        if wall_low_mm == wall_high_mm
        else f"wall {wall_low_mm:.2f} to {wall_high_mm:.2f} mm"
    )
    return estimated(
        low - K95 * u_size,
        kg,
        high + K95 * u_size,
        hypot(u_size, (high - low) / sqrt(12)),
        f"tube {outer_mm:.2f} mm, {wall} × {length_mm / 1000:.2f} m",
    )


def weight_of_piece(
    form: Form, *, diameter: Measurement | None, length_mm: float, u_length_mm: float
) -> Weight | None:
    """Return the estimated weight of a piece as a photo shows it; None for other shapes.

    ``diameter`` is the outer one. Sheet and lumps have no cross-section to go by.
    """
    from app.load.tubes import walls_mm

    if diameter is None or length_mm <= 0:
        return None
    size, u = diameter.value, diameter.u
    if form is Form.WIRE:
        return wire_weight(diameter_mm=size, u_mm=u, length_mm=length_mm, u_length_mm=u_length_mm)
    if form is Form.STRANDED:
        return cable_weight(bundle_mm=size, u_mm=u, length_mm=length_mm, u_length_mm=u_length_mm)
    if form is Form.TUBE:
        low, high = walls_mm(size)
        return tube_weight(
            outer_mm=size,
            u_mm=u,
            length_mm=length_mm,
            u_length_mm=u_length_mm,
            wall_low_mm=low,
            wall_high_mm=high,
        )
    return None


def length_from_outline_mm(
    outline_mm: Sequence[tuple[float, float]], *, diameter_mm: float
) -> tuple[float, float]:
    """Return a long piece's length and its standard uncertainty, from its outline.

    What a straight or bent rod of one thickness covers is length × thickness, so the
    outline's area (the shoelace formula) over the thickness is the length.

    Raises:
        LoadError: Fewer than three points, or a piece that is no longer than thick.
    """
    if len(outline_mm) < 3:
        raise LoadError("an outline needs three points", where="length")
    following = [*outline_mm[1:], outline_mm[0]]
    twice = sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(outline_mm, following, strict=True))
    _positive(diameter_mm=diameter_mm)
    length = abs(twice) / 2 / diameter_mm
    if length < diameter_mm:
        raise LoadError("too short for its thickness to tell a length", where="length")
    return length, OUTLINE_U_REL * length


def added(weights: Sequence[Weight]) -> Weight:
    """Return the sum; the doubts of the parts are taken as independent. One alone is its own."""
    if len(weights) == 1:
        return weights[0]
    kg = Decimal(0)
    for weight in weights:
        kg = EXACT.add(kg, weight.kg)
    origin = (
        WeightOrigin.SCALE
        if weights and not any(w.is_estimated for w in weights)
        else WeightOrigin.ESTIMATED
    )
    u = sqrt(sum(w.u_kg**2 for w in weights))
    return of_normal(kg, u, origin, f"sum of {len(weights)}")


def _with_rel(kg: float, u_rel: float, how: str) -> Weight:
    u = kg * u_rel
    return estimated(kg - K95 * u, kg, kg + K95 * u, u, how)


def _root(*parts: float) -> float:
    return sqrt(sum(part**2 for part in parts))


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (isfinite(value) and value > 0):
            raise LoadError(f"must be above 0, not {value}", where=name)
