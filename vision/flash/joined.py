"""The still's findings with what the flash adds: odds multiplied, nothing overwritten."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log
from typing import Any

from rules.findings import Findings, Measurement, Origin, Presence, What
from vision.flash.types import FlashEvidence


def joined(findings: Findings, evidence: FlashEvidence) -> Findings:
    """Return findings whose odds carry the likelihood ratios of the second photo.

    What the person stated stays as stated. Base rates stay beside: they multiply the same
    odds, in whatever order.

    >>> from rules.findings import Form, FormFinding, What
    >>> plain = Findings(form=FormFinding.of(Form.WIRE), finish=None, brass=Presence(p=0.0),
    ...                  solder=Presence(p=0.0), coating=Presence(p=0.5))
    >>> told = FlashEvidence(log_ratio={What.COATING: log(9)}, note="")
    >>> round(joined(plain, told).coating.p, 3)
    0.9
    """
    jacket = findings.p_of(What.INSULATION)
    changed: dict[str, Any] = {
        str(what): _multiplied(findings.seen[what], _unless(jacket, ratio))
        for what, ratio in evidence.log_ratio.items()
        if what in findings.seen
    }
    finish = findings.finish
    if finish is not None and evidence.tarnish is not None:
        level = _combined(finish.tarnish_level, evidence.tarnish)
        changed["finish"] = replace(finish, tarnish_level=level)
    return replace(findings, **changed)


def _unless(jacket: float, log_ratio: float) -> float:
    """Return the log ratio where a jacket may hide the metal: then the highlight says nothing."""
    return log(jacket + (1 - jacket) * exp(log_ratio))


def _multiplied(presence: Presence, log_ratio: float) -> Presence:
    if presence.origin is Origin.STATED or presence.p in (0.0, 1.0):
        return presence
    logit = log(presence.p / (1 - presence.p)) + log_ratio
    return replace(presence, p=1 / (1 + exp(-logit)))


def _combined(first: Measurement, second: Measurement) -> Measurement:
    """Return the mean of two independent measurements of the level, weighted by 1 / u²."""
    if first.origin is Origin.STATED or first.u == 0:
        return first
    weights = first.u**-2, second.u**-2
    value = (weights[0] * first.value + weights[1] * second.value) / sum(weights)
    return Measurement.between_0_and_1(value, sum(weights) ** -0.5)
