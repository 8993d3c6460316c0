"""Short arms of tube that stick out of a fitting, and ends that are none."""

from __future__ import annotations

import numpy as np
import pytest

from rules.findings import Form
from tests.vision.drawn_wire import WHITE, WOOD, Look, Straight, draw, scale_from_above
from vision.pieces.centreline import centre_line
from vision.width.arms import arms_of, end_lines, looks_thinner
from vision.width.diameter import measure_diameter

COUPLING = Straight(length=240, angle_deg=11, centre=(200, 130))
ARM_PX = 50.0
TUBE_PX, SLEEVE_PX = 100.0, 112.0
"""As a 15 mm tube in a coupling that is wider by two walls of 0.8 mm and a gap of 0.1 mm
(EN 1254-1, from memory)."""


def sleeved(along: np.ndarray) -> np.ndarray:
    return np.where(np.abs(along) < COUPLING.length / 2 - ARM_PX, SLEEVE_PX, TUBE_PX)


@pytest.mark.parametrize("table", [WHITE, WOOD], ids=["white", "wood"])
def test_arms_half_as_long_as_wide_are_measured_not_the_coupling(table: np.ndarray) -> None:
    photo, region = draw(COUPLING, sleeved, Look(table=table), seed=5)
    reading = measure_diameter(photo, region, scale_from_above(), form=Form.WIRE)
    assert reading.diameter is not None
    assert reading.diameter.value == pytest.approx(TUBE_PX / 10, rel=0.02)
    _, along = COUPLING.across_and_along(*reading.lines_px.mean(axis=1).T)
    assert np.all(np.abs(along) > COUPLING.length / 2 - ARM_PX - 5)


def test_a_plain_tube_as_short_is_not_looked_at_again() -> None:
    _, region = draw(COUPLING, TUBE_PX, Look(), seed=5)
    line = centre_line(region.mask, offset_px=region.box_px[:2])
    assert line is not None
    ends = end_lines(line, region, width_px=TUBE_PX)
    assert not looks_thinner(ends, region, width_px=TUBE_PX)


def test_the_line_is_drawn_on_to_the_ends_of_the_piece() -> None:
    axis = Straight(length=330, angle_deg=11, centre=(200, 130))
    _, region = draw(axis, lambda along: np.where(np.abs(along) < 120, 90.0, 80.0), Look(), seed=6)
    line = centre_line(region.mask, offset_px=region.box_px[:2])
    assert line is not None
    ends = end_lines(line, region, width_px=90.0)
    assert len(ends) == 2
    for end in ends:
        side, along = axis.across_and_along(*end.points_px.T)
        # 0.12 widths of the end are left out; the drawn mask is off by a pixel or two.
        assert abs(along[0]) == pytest.approx(165 - 0.12 * 90, abs=4)
        assert np.all(np.abs(side) < 0.1 * 90)
    assert looks_thinner(ends, region, width_px=90.0)


def arms(*ends: list[float], body: float = 20.9) -> list[list[int]] | None:
    """Of a 19 mm tube (EN 1057) in a sleeve with walls of 0.9 mm, unless told otherwise."""
    found = arms_of([np.array(end) for end in ends], body_mm=body, tolerance_rel=0.04)
    return None if found is None else [arm.astype(int).tolist() for arm in found]


def test_arms_end_where_the_sleeve_begins() -> None:
    one = [18.0, 19.0, 19.1, 18.9, 19.0, 20.3, 20.9, 20.9]
    other = [19.0, 19.0, 18.9, 20.5, 20.9, 21.0, 20.9, 20.8]
    assert arms(one, other) == [[0, 1, 1, 1, 1, 0, 0, 0], [1, 1, 1, 0, 0, 0, 0, 0]]


STEADY = [19.0, 19.1, 18.9, 19.0, 19.0]


@pytest.mark.parametrize(
    "other",
    [
        pytest.param([20.9] * 5, id="one end alone"),
        pytest.param([17.0, 17.1, 16.9, 17.0, 17.0], id="two ends unlike"),
        pytest.param([17.5, 15.0, 19.5, 22.0, 27.0], id="crushed"),
        pytest.param([20.4] * 5, id="hardly thinner"),
        pytest.param([19.0, 19.0, 20.8, 20.9, 20.9], id="too short an arm"),
    ],
)
def test_what_is_no_pair_of_arms(other: list[float]) -> None:
    assert arms(STEADY, other) is None
    assert arms(other, STEADY) is None


def test_a_stripped_cable_is_no_fitting() -> None:
    # Outer diameter 9.9 mm over a conductor of 6 mm: far more than two walls of a fitting.
    assert arms([6.0] * 8, [6.0] * 8, body=9.9) is None


def test_a_piece_with_one_end_only_has_no_pair() -> None:
    assert arms(STEADY) is None
    assert arms() is None
