"""What a truth file says is there, as the rules see it.

The truths are as the recipe writes them (models/recipe/scene/truth.py); the expected grades
follow from the house sheet by hand.
"""

from __future__ import annotations

from typing import Any

import pytest

from app.practice.truth import LEAST_SHARE, true_findings, true_presence
from rules.engine import grade
from rules.sheet import load_sheet

WHATS = ("coating", "insulation", "tin", "green", "brass", "solder")


def truth(form: str = "tube", **shares: float) -> dict[str, Any]:
    """Return the truth of a clean piece with some things on it."""
    return {
        "form": form,
        "material": "copper",
        "diameter_mm": 15.0,
        "strand_diameter_mm": None,
        "tarnish_level": 0.4,
        "shares": {"tarnished": 1.0},
        "seen": {w: {"present": shares.get(w, 0) > 0, "share": shares.get(w, 0.0)} for w in WHATS},
    }


@pytest.mark.parametrize(
    ("form", "shares", "expected"),
    [
        ("tube", {}, "no1"),
        ("tube", {"solder": 0.01}, "no2"),
        ("tube", {"solder": LEAST_SHARE / 2}, "no1"),  # a stray spot
        ("tube", {"green": 0.2}, "no2"),
        ("wire", {"insulation": 0.7}, "set_aside"),
        ("wire", {"insulation": 0.05}, "no1"),  # 15 mm bar, a scrap of jacket
        ("tube", {"coating": 0.5}, "no2"),
    ],
)
def test_the_truth_is_graded_by_what_is_there(
    form: str, shares: dict[str, float], expected: str
) -> None:
    assert grade(true_findings(truth(form, **shares)), load_sheet("house")).suggested == expected


def test_truths_from_before_give_the_shares_of_the_finish_and_a_jacket_as_a_fact() -> None:
    old = {**truth(), "shares": {"bright": 0.6, "coated": 0.4}, "brass": False, "solder": True}
    del old["seen"]
    assert true_presence(old, "coating") == 0.4
    assert true_presence({**old, "solder_share": 0.03}, "solder") == 0.03
    jacket = {**old, "facts": {"insulation": True, "stripped": True}}
    assert true_presence(jacket, "insulation") == 0.4
    assert true_presence(jacket, "coating") == 0.0
    assert true_presence({**old, "facts": {"insulation": True}}, "insulation") == 1.0


def test_a_piece_all_of_brass_is_brass_all_over() -> None:
    valve = {**truth("other"), "material": "brass"}
    assert true_presence(valve, "brass") == 1.0
    assert grade(true_findings(valve), load_sheet("house")).suggested == "set_aside"
