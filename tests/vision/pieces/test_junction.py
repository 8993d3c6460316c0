"""Which limbs run on into each other: roots given, so that only the verdict is tested."""

from __future__ import annotations

import numpy as np
import pytest

from vision.pieces.junction import CopyGrid, Root, judge, lab_at, runs_on, unlike

RED, GREY = np.array([50.0, 40.0, 30.0]), np.array([60.0, 0.0, 0.0])


def root(number: int, angle_deg: float, *, width: float = 10.0, lab: np.ndarray = RED) -> Root:
    """A limb that leaves the junction at the origin, 12 px wide, in a direction."""
    away = np.array([np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))])
    return Root(limb=number, at=6 * away, away=away, width_px=width, lab=lab)


def pairs_of(roots: list[Root], *, gap_p: float = 0.9) -> set[frozenset[int]]:
    return {frozenset((a.limb, b.limb)) for a, b in judge(roots, gap_p=gap_p).pairs}


def test_two_that_point_at_each_other_and_are_alike_are_one() -> None:
    assert unlike(root(0, 0), root(1, 180)) == pytest.approx(np.zeros(4), abs=1e-9)
    assert runs_on(root(0, 0), root(1, 180))


@pytest.mark.parametrize(
    "other",
    [root(1, 90), root(1, 180, width=25.0), root(1, 180, lab=GREY)],
    ids=["across", "thicker", "another colour"],
)
def test_two_that_differ_much_are_not(other: Root) -> None:
    assert not runs_on(root(0, 0), other)


def test_more_turn_is_more_unlike() -> None:
    turns = [unlike(root(0, 0), root(1, 180 + turn))[0] for turn in (0, 10, 30, 80)]
    assert turns == sorted(turns)
    assert turns[1] == pytest.approx(0.5)  # of 20 degrees


def test_a_cross_of_two_wires_is_parted_along_each() -> None:
    cross = [root(0, 0), root(1, 90, lab=GREY), root(2, 180), root(3, 270, lab=GREY)]
    assert pairs_of(cross) == {frozenset((0, 2)), frozenset((1, 3))}


def test_alike_wires_that_cross_squarely_are_parted_by_direction_alone() -> None:
    cross = [root(0, 0), root(1, 90), root(2, 180), root(3, 270)]
    assert pairs_of(cross) == {frozenset((0, 2)), frozenset((1, 3))}


def test_what_touches_at_the_side_and_is_another_thing_is_left_over() -> None:
    verdict = judge([root(0, 0), root(1, 180), root(2, 90, lab=GREY)], gap_p=0.9)
    assert [{a.limb, b.limb} for a, b in verdict.pairs] == [{0, 1}]
    assert [rest.limb for rest in verdict.rest] == [2]


def test_a_branch_of_the_same_metal_is_not_cut_off() -> None:
    """A soldered tee: nothing tells that its third arm is another piece."""
    assert pairs_of([root(0, 0), root(1, 180), root(2, 90)]) == set()


def test_where_the_network_saw_no_gap_nothing_is_parted() -> None:
    cross = [root(0, 0), root(1, 90, lab=GREY), root(2, 180), root(3, 270, lab=GREY)]
    assert pairs_of(cross, gap_p=0.05) == set()


def test_limbs_at_even_angles_are_parted_in_no_way() -> None:
    star = [root(k, 120 * k) for k in range(3)]
    assert pairs_of(star) == set()


def test_the_colour_is_read_where_the_copy_lies_on_the_photo() -> None:
    """White has L* = 100 by definition (CIE 15); the copy is half as fine as the photo."""
    photo = np.zeros((100, 200, 3), np.uint8)
    photo[20:60, 80:140] = 255
    grid = CopyGrid(across=2.0, down=2.0, left_px=40.0, top_px=20.0)
    inside = lab_at(np.array([[35.0, 10.0]]), 4.0, photo, grid)
    outside = lab_at(np.array([[10.0, 10.0]]), 4.0, photo, grid)
    assert inside == pytest.approx([100, 0, 0], abs=0.5)
    assert outside == pytest.approx([0, 0, 0], abs=0.5)
