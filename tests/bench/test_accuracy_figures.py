"""The accuracy table, from rows whose figures are worked out by hand."""

from __future__ import annotations

from typing import Any

import pytest

from bench.accuracy_figures import tabulate
from tests.app.practice.test_truth import WHATS, truth


def row(
    number: int,
    *,
    found_mm: float | None,
    said: str = "no1",
    confidence: float = 0.99,
    borderline: bool = False,
    true: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """Return the row of a 15 mm tube that is No. 1; ``found_mm`` None where it was missed."""
    made: dict[str, Any] = {
        "kind": "piece",
        "photo": f"{number}.jpg",
        "truth": {**truth(), "finish": "tarnished", **(true or {})},
        "whole_reference": True,
        "scaled": True,
        "true_grade": "no1",
    }
    if found_mm is None:
        return made
    made["found"] = {
        "form": "tube",
        "diameter": {"value": found_mm, "low95": found_mm - 0.1, "high95": found_mm + 0.1},
        "strand": None,
        "shares": {"bright": 0.4, "tarnished": 0.6},
        "tarnish_level": {"value": 0.5},
        "p": dict.fromkeys(WHATS, 0.1),
    }
    made["grade"] = {
        "suggested": said,
        "confidence": confidence,
        "borderline": borderline,
        "plausible": [said],
    }
    return made


@pytest.fixture
def figures() -> dict[str, tuple[str, str]]:
    rows = [row(i, found_mm=15.0 + 0.15 * i) for i in range(3)]  # 0, 1 and 2 % too wide
    rows.append(row(3, found_mm=15.0, said="no2", confidence=0.96))
    rows.append(row(4, found_mm=None))
    rows.append({**row(5, found_mm=3.0, said="set_aside", confidence=0.7), "kind": "extra"})
    return {name: (value, note) for name, value, note in tabulate(rows)}


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("piece found (overlap 0.3)", "80.0 %"),  # 4 of 5
        ("found where nothing is, per true piece", "0.200"),  # 1 to 5
        ("tube diameter: median error", "0.50 %"),  # between 0, 0, 1 and 2
        ("tube diameter: 95 % interval covers", "50.0 %"),  # 0.15 and 0.30 are more than 0.1
        ("form right", "100.0 %"),
        ("finish right: tarnished", "100.0 %"),
        ("finish right: bright", "-"),
        ("tarnish level, mean absolute error", "0.100"),
        ("brass false alarm", "0.0 %"),
        ("brass found", "-"),
        ("grade right, of all found", "75.0 %"),
        ("wrong among decided", "25.0 %"),
        ("extra pieces surely graded as copper", "0.0 %"),
    ],
)
def test_a_figure_is_what_its_rows_say(
    figures: dict[str, tuple[str, str]], name: str, value: str
) -> None:
    assert figures[name][0] == value


def test_each_error_is_told_with_its_number_and_bias(
    figures: dict[str, tuple[str, str]],
) -> None:
    assert figures["tube diameter: median error"][1].endswith("n 4, bias +0.50 %")


def test_a_stripped_wire_is_right_by_its_jacket_and_by_its_bare_end() -> None:
    true = {
        "form": "wire",
        "diameter_mm": 4.0,
        "facts": {"insulation": True, "stripped": True, "conductor_mm": 2.0},
    }
    rows = [row(i, found_mm=mm, true=true) for i, mm in enumerate((2.0, 4.0))]
    told = {name: value for name, value, _ in tabulate(rows)}
    assert told["wire diameter: median error"] == "0.00 %"
