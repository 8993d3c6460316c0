"""Which stretches are the piece's own, against what standards say of tubes and fittings."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.vision.drawn_wire import Look, Straight, draw
from vision.pieces.centreline import centre_line
from vision.width.edges import find_edges
from vision.width.runs import LEAST_FITTED_MM, is_one_piece, look_again, plain_run


def test_plain_run_is_the_most_common_diameter() -> None:
    diameters = np.array([3.0] * 10 + [4.4] * 6 + [2.2] * 3)
    assert plain_run(diameters, tolerance_rel=0.04).tolist() == [True] * 10 + [False] * 9


def test_a_tube_is_measured_beside_its_fitting_not_on_it() -> None:
    # 15 mm tube in a socket of 17.4 mm (EN 1254-1 wall, from memory), more of the socket seen
    diameters = np.array([17.4] * 10 + [15.0] * 6 + [11.0] * 2)
    assert (
        plain_run(diameters, tolerance_rel=0.04).tolist() == [False] * 10 + [True] * 6 + [False] * 2
    )


def test_a_short_arm_of_a_thin_fitting_counts() -> None:
    # 28 mm tube in an elbow of 30.1 mm (EN 1254-1 wall, from memory), a third of it tube
    diameters = np.array([28.0, 28.2, 27.9, 28.1, 28.0] + [30.0, 30.1, 30.2] * 4)
    assert plain_run(diameters, tolerance_rel=0.04).tolist() == [True] * 5 + [False] * 12


def test_a_conductor_at_the_end_of_its_jacket_is_no_tube_in_a_fitting() -> None:
    # 25 mm2 conductor, 6.4 mm over its strands, in a jacket of 10 mm: more than half again
    diameters = np.array([6.4] * 6 + [10.0] * 10)
    assert plain_run(diameters, tolerance_rel=0.04).tolist() == [False] * 6 + [True] * 10


RUN = [True] * 8 + [False] * 12


@pytest.mark.parametrize(
    ("run_mm", "rest_mm", "expected"),
    [
        # 15 mm tube in an elbow of 17.4 mm; with a nut of 21 mm (EN 1254-1, from memory)
        pytest.param(15.0, [17.4] * 12, True, id="elbow"),
        pytest.param(15.0, [17.4] * 5 + [21.0] * 7, True, id="elbow and nut"),
        # 2.5 mm2 conductor, 1.78 mm thick, in a jacket of 3.4 mm
        pytest.param(3.4, [1.78] * 11 + [2.6], True, id="stripped for more than half"),
        pytest.param(1.78, [3.4] * 12, False, id="no wire wears a fitting"),
        pytest.param(8.0, [14.0] * 12, False, id="thicker than any nut"),
        pytest.param(3.4, [1.2] * 6 + [2.1] * 6, False, id="two other pieces"),
        pytest.param(2.6, list(np.linspace(2.75, 4.2, 12)), False, id="along a shadow"),
    ],
)
def test_what_is_as_thick_as_its_run_says(
    run_mm: float, rest_mm: list[float], expected: bool
) -> None:
    diameters = np.array([run_mm] * 8 + rest_mm)
    assert is_one_piece(diameters, np.array(RUN)) is expected


def test_a_run_over_most_of_the_line_needs_no_explanation() -> None:
    assert is_one_piece(np.array([2.0] * 10 + [3.0, 4.0, 1.0] * 3), np.arange(19) < 10)


@given(
    st.lists(st.floats(0.3, 40.0), min_size=1, max_size=20),
    st.floats(0.02, 0.2),
    st.floats(0.2, 5.0),
)
def test_the_run_is_never_empty_and_knows_no_unit(
    diameters: list[float], tolerance: float, factor: float
) -> None:
    """In other lengths the same stretches agree, where no tube's least size is passed."""
    there = np.array(diameters)
    run = plain_run(there, tolerance_rel=tolerance)
    assert run.any()
    assert np.ptp(np.log(there[run])) <= 2 * tolerance + 1e-9
    thin = np.minimum(there, LEAST_FITTED_MM * 0.9)
    one, other = (plain_run(f * thin, tolerance_rel=tolerance) for f in (1.0, min(factor, 1.0)))
    assert one.sum() == other.sum()


def test_in_which_order_stretches_lie_does_not_matter() -> None:
    diameters = np.array([17.4] * 10 + [15.0] * 6 + [11.0] * 2)
    order = np.random.default_rng(3).permutation(len(diameters))
    run = plain_run(diameters, tolerance_rel=0.04)
    assert plain_run(diameters[order], tolerance_rel=0.04).tolist() == run[order].tolist()


def test_a_look_at_the_run_alone_stays_on_it_and_finds_its_width() -> None:
    # Drawn: a tube 30 px wide that wears a sleeve of 45 px over a third of its length.
    axis = Straight(length=330, angle_deg=0, centre=(200, 130))
    photo, region = draw(
        axis, lambda along: np.where(np.abs(along - 60) < 50, 45.0, 30.0), Look(), seed=5
    )
    line = centre_line(region.mask, offset_px=region.box_px[:2])
    assert line is not None
    edges = find_edges(photo, line)
    assert edges is not None
    _, along = axis.across_and_along(*((edges.left_px + edges.right_px) / 2).T)
    again = look_again(photo, edges, along < 0)
    assert again is not None
    _, where = axis.across_and_along(*((again.left_px + again.right_px) / 2).T)
    assert where.max() < 15
    assert np.median(again.width_px) == pytest.approx(30.0, abs=0.8)
