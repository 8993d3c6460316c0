"""What a person states settles what a photo could only guess.

A clear coat looks like bare metal and dark metal like enamel, so a photo's word on a
coating is often worth little; a blade on one spot settles it. Once nothing comes off,
no share of the finish is coated, and the rest is as likely as it was without that. What
is said of the insulation wins over what was seen of it.
"""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

from rules.findings import Facts, Findings, Finish, FinishFinding, Origin, Presence

LEAST_BARE = 0.02
"""With less of the piece seen as anything but coated, the photo says nothing of the rest."""

MOST_U = 0.5
"""The widest a share between 0 and 1 can scatter."""


def is_bare(facts: Facts) -> bool:
    """Return whether the person states that nothing lies on the metal."""
    scraped = facts.enamel is False and facts.paint is False
    return scraped and not facts.oil and not facts.insulation


def with_stated(findings: Findings) -> Findings:
    """Return the findings with what the stated facts rule in or out put into them."""
    jacket = findings.facts.insulation
    if jacket is not None and findings.insulation != _as_said(there=jacket):
        findings = replace(findings, insulation=_as_said(there=jacket))
    if not is_bare(findings.facts):
        return findings
    if findings.coating is not None:
        return replace(findings, coating=_as_said(there=False))
    finish = findings.finish
    if finish is None:
        return findings
    bare = 1 - finish.shares.get(Finish.COATED, 0.0)
    return replace(findings, finish=_uncoated(finish, bare) if bare >= LEAST_BARE else None)


def _as_said(*, there: bool) -> Presence:
    """Return what the person says: there all over, or not at all."""
    return Presence(p=float(there), share=float(there), origin=Origin.STATED)


def _uncoated(finish: FinishFinding, bare: float) -> FinishFinding:
    shares: dict[Finish, float] = {
        f: s / bare for f, s in finish.shares.items() if f is not Finish.COATED
    }
    u = {f: _rescaled(finish.u.get(f, 0.0), finish.shares[f], share) for f, share in shares.items()}
    return replace(finish, shares={**shares, Finish.COATED: 0.0}, u={**u, Finish.COATED: 0.0})


def _rescaled(u: float, before: float, after: float) -> float:
    """Return the doubt of a share that has become likelier: it goes with sqrt(p (1 - p))."""
    if not 0 < before < 1:
        return u
    return min(MOST_U, u * sqrt(max(after * (1 - after), 0.0) / (before * (1 - before))))
