"""How is what a problem asks for done here, on the command line or on the pages?

The catalogue of problems (``vision/problems.py``) says what to do whatever the channel;
what is typed or tapped for it stands here alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vision.types import Problem

_TYPED_CUT_END = "For a photo of the cut end: --form cut_end."
_TAP_POINTS = "Or tap two points of known distance further down."
_STATED = "Say it under “What lies beside it, what you know of it”."

TYPED: Mapping[str, str] = {
    "internal": "Run it again with --debug, which says more.",
    "no_reference": "Name it with --reference eu-1 or --reference marker:40, for example.",
    "no_reference.marker_size": "A side of 40 mm, for example: --reference marker:40.",
    "solid_or_strands": "State it with --form wire or --form stranded.",
    "flat_or_wound": "State it with --form wire or --form sheet.",
    "strands_not_resolved": _TYPED_CUT_END,
}
"""On the command line, by code; with a dot behind it where only that variant is meant."""

TAPPED: Mapping[str, str] = {
    "no_reference": f"{_STATED} {_TAP_POINTS}",
    "no_reference.marker_size": f"{_STATED} {_TAP_POINTS}",
    "no_reference.card": _TAP_POINTS,
    "no_reference.sheet": _TAP_POINTS,
    "no_reference.marker": _TAP_POINTS,
    "no_reference.coin": _TAP_POINTS,
    "no_piece": "Or tap the piece further down.",
    "solid_or_strands": _STATED,
    "flat_or_wound": _STATED,
}
"""On the pages."""


def fix_with(problem: Problem, how: Mapping[str, str]) -> str:
    """Return what to do about a problem, and behind it how that is done in a channel."""
    key = f"{problem.code}.{problem.variant}" if problem.variant else problem.code
    here = how.get(key, "")
    return f"{problem.fix} {here}".rstrip()
