"""What is true of a piece whose truth is known, as the rules would see it.

Truths are ``cuproscope.truth/1``, as ``models.recipe.render`` writes them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rules.findings import (
    ON_THE_PIECE,
    Findings,
    Finish,
    FinishFinding,
    Form,
    FormFinding,
    Measurement,
    Presence,
    Unit,
)

LEAST_SHARE = 0.004
"""A thing that covers less of what is in sight is a stray spot, which costs no grade: 0.4 %,
a tenth of a millimetre of solder on 25 mm of tube. The training asks the same
(``ABSENT_SHARE`` of ``models/recipe/surface/piece_views.py``). Common practice, no source."""


def true_findings(true: Mapping[str, Any]) -> Findings:
    """Return the findings of a perfect eye, to grade the truth by the same sheet."""

    def exact(value: float | None, unit: Unit) -> Measurement | None:
        return None if value is None else Measurement.normal(value, 0.0, unit)

    shares = {Finish(k): float(v) for k, v in true["shares"].items()}
    total = sum(shares.values())
    if total == 0:  # all of it is brass, another metal or in its jacket
        shares, total = {Finish.BRIGHT: 1.0}, 1.0
    level = true["tarnish_level"] if true["tarnish_level"] is not None else 0.0
    form = Form(true["form"])
    strand = true.get("strand_diameter_mm")
    if strand is None and form is Form.WIRE:
        strand = true["diameter_mm"]
    flags: dict[str, Any] = {}
    for what in ON_THE_PIECE:
        there = true_presence(true, str(what))
        flags[str(what)] = Presence(p=float(there > 0), share=there, u_share=0.0)
    return Findings(
        form=FormFinding.of(form),
        finish=FinishFinding(
            shares={k: v / total for k, v in shares.items()},
            u=dict.fromkeys(Finish, 0.0),
            tarnish_level=Measurement.normal(float(level), 0.0, Unit.ONE),
        ),
        diameter=exact(true.get("diameter_mm"), Unit.MILLIMETRE),
        strand_diameter=exact(strand, Unit.MILLIMETRE),
        other_metal=Presence(p=float(true["material"] not in ("copper", "brass"))),
        **flags,
    )


def true_presence(true: Mapping[str, Any], what: str) -> float:
    """Return the share of a piece's visible area that something covers, 0 where it is not there.

    A speck of less than ``LEAST_SHARE`` counts as not there. Truths from before presence was
    told apart give the shares of the finish, and a jacket as a fact.
    """
    if what == "brass" and true["material"] == "brass":
        return 1.0
    if "seen" in true:
        told = true["seen"][what]
        return float(told["share"]) if told["share"] >= LEAST_SHARE else 0.0
    facts = true.get("facts", {})
    if facts.get("insulation") and what in ("insulation", "coating"):
        jacket = float(true["shares"]["coated"]) if facts.get("stripped") else 1.0
        return jacket if what == "insulation" else 0.0
    if what == "insulation":
        return 0.0
    if what in ("brass", "solder"):
        return float(true.get(f"{what}_share", 0.1)) if true[what] else 0.0
    named = {"coating": "coated", "tin": "tinned", "green": "green"}
    return float(true["shares"].get(named[what], 0.0))
