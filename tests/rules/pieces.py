"""Findings for tests, in few words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rules.findings import (
    Facts,
    Findings,
    Finish,
    FinishFinding,
    Form,
    FormFinding,
    Measurement,
    Presence,
    Unit,
)

SHINY = {Finish.BRIGHT: 0.97, Finish.TARNISHED: 0.03}
DULL = {Finish.BRIGHT: 0.05, Finish.TARNISHED: 0.95}


def mm(value: float, u: float = 0.02) -> Measurement:
    return Measurement.normal(value, u, Unit.MILLIMETRE)


def finish(
    shares: Mapping[Finish, float], level: float, *, u: float = 0.02, u_level: float = 0.04
) -> FinishFinding:
    return FinishFinding(
        shares=shares,
        u=dict.fromkeys(shares, u),
        tarnish_level=Measurement(
            value=level,
            u=u_level,
            unit=Unit.ONE,
            low95=max(0.0, level - 1.96 * u_level),
            high95=min(1.0, level + 1.96 * u_level),
        ),
    )


def piece(
    form: Form | Mapping[Form, float] = Form.WIRE,
    *,
    shares: Mapping[Finish, float] | None = SHINY,
    level: float = 0.05,
    u: float = 0.02,
    u_level: float = 0.04,
    diameter: Measurement | None = None,
    strand: Measurement | None = None,
    brass: float = 0.0,
    brass_share: float = 0.1,
    solder: float = 0.0,
    **facts: Any,
) -> Findings:
    """A piece: bright solid wire of 2 mm unless said otherwise."""
    if form is Form.WIRE and diameter is None and strand is None:
        diameter = mm(2.0)
    return Findings(
        form=FormFinding.of(form, stated=False) if isinstance(form, Form) else FormFinding(p=form),
        finish=None if shares is None else finish(shares, level, u=u, u_level=u_level),
        brass=Presence(p=brass, share=brass_share if brass else 0.0),
        solder=Presence(p=solder, share=0.05 if solder else 0.0),
        diameter=diameter,
        strand_diameter=strand,
        facts=Facts(**facts),
    )


def tube(**said: Any) -> Findings:
    """A tube of 15 mm, as clean as said."""
    return piece(Form.TUBE, diameter=mm(15.0), **said)
