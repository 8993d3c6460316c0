"""The figures of the widths, from rows whose errors are known."""

from __future__ import annotations

import numpy as np
import pytest

from bench.widths import edges_rel, reference_kind, table_of, true_mm, true_px, worst_of


def row(value: float | None, *, true: float = 2.0, px: float = 20.0, **facts: object) -> dict:
    found = None
    if value is not None:
        told = {"value": value, "u": 0.02, "low95": value - 0.04, "high95": value + 0.04,
                "budget": {}}  # fmt: skip
        found = {"form": "wire", "width_px": px, "diameter": told, "strand": None}
    return {
        "photo": "a.jpg", "piece": 1, "reference": "us-1c", "light": "window", "table": "paper",
        "mix": "advised", "scaled": True, "true_px": px, "found": found,
        "truth": {"form": "wire", "finish": "bright", "diameter_mm": true, "facts": facts},
    }  # fmt: skip


def test_errors_and_coverage_are_those_of_the_rows() -> None:
    # Off by +1, +3 and -1 %, one of the three outside of its interval; worked by hand.
    rows = [row(2.02), row(2.06), row(1.98), row(None), row(None, px=6.0)]
    line = next(x for x in table_of(rows).splitlines() if x.startswith("| wire diameter, all all"))
    cells = [cell.strip() for cell in line.strip("|").split("|")]
    assert cells[1:3] == ["5", "3 of 4 from 8 px on"]
    assert cells[3:] == ["1.00 %", "2.6 %", "+1.00 %", "+0.20", "67 % of 3", "-"]


def test_coils_are_left_out_and_the_worst_come_first() -> None:
    rows = [row(2.02), row(3.0, coil=True), row(2.4)]
    assert "coil" not in worst_of(rows) and len(worst_of(rows).splitlines()) == 2
    assert worst_of(rows).startswith(" +20.0 %")
    assert "| wire diameter, all all | 2 |" in table_of(rows)


def test_either_end_of_a_stripped_wire_may_be_what_was_measured() -> None:
    one = row(1.9, true=3.5, stripped=True, conductor_mm=1.8)
    assert true_mm(one, "diameter") == 1.8
    assert true_mm(row(3.4, true=3.5, stripped=True, conductor_mm=1.8), "diameter") == 3.5


def test_the_true_width_is_the_distance_of_both_sides() -> None:
    run = {"diameter_mm": 2.0, "limbs_px": [[0, 0, 0, 10], [5, 0, 5, 11], [9, 0, 9, 12]]}
    assert true_px({"round_runs": [run]}, 2.0) == pytest.approx(22.0)
    assert true_px({"round_runs": []}, 2.0) is None


def test_edges_are_told_as_a_share_of_the_true_width() -> None:
    # A strip 10 px wide at 45 degrees: its sides lie 5 px off the diagonal. Geometry alone.
    along, across = np.array([1.0, 1.0]) / 2**0.5, np.array([1.0, -1.0]) / 2**0.5
    at = np.linspace(0, 100, 21)[:, None] * along
    limbs = np.hstack([at - 5 * across, at + 5 * across])
    cut = np.array([[20.0], [52.3], [80.0]]) * along
    left, right = cut - 5.5 * across, cut + 4.8 * across
    run = {"round_runs": [{"limbs_px": limbs.tolist()}]}
    assert edges_rel(np.stack([left, right], axis=1), run, 1.0) == pytest.approx(0.03, abs=1e-3)


@pytest.mark.parametrize(("key", "kind"), [("card", "card"), ("marker:30", "marker"),
                                           ("eu-1", "coin"), ("sheet", "sheet")])  # fmt: skip
def test_references_are_told_by_kind(key: str, kind: str) -> None:
    assert reference_kind({"reference": key}) == kind
