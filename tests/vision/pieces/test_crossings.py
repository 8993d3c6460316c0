"""Parting at crossings and touches, on drawn scenes whose pieces are known by construction."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.pieces.crossings import Parting, part_crossings

GREY, RED, DARK = (150, 150, 150), (190, 90, 60), (40, 40, 45)
SIZE = (400, 500)
SHIFT = 3

Point = tuple[float, float]


class Scene:
    """Pieces drawn one over another on a map, and the photo twice as large that it is of."""

    def __init__(self) -> None:
        self.photo = np.full((2 * SIZE[0], 2 * SIZE[1], 3), 230, np.uint8)
        self.truth = np.zeros(SIZE, np.int32)
        self.pieces = 0

    def piece(self, points: list[Point], width: int, colour: tuple[int, int, int]) -> None:
        self.pieces += 1
        self.more(points, width, colour)

    def more(self, points: list[Point], width: int, colour: tuple[int, int, int]) -> None:
        """Draw another stretch of the last piece."""
        line = np.array(points)
        at = np.round(line * 2**SHIFT).astype(np.int32)
        cv2.polylines(self.truth, [at], False, (self.pieces,), width, cv2.LINE_8, SHIFT)
        at = np.round((2 * line + 0.5) * 2**SHIFT).astype(np.int32)
        cv2.polylines(self.photo, [at], False, colour, 2 * width, cv2.LINE_AA, SHIFT)

    def gap(self, where: str = "joints", *, p: float = 0.6) -> np.ndarray:
        """Return what the network says: surely too little to cut along it.

        Args:
            where: ``joints`` where two pieces meet, ``everywhere`` on all of them.
            p: How sure it is there.
        """
        kernel = np.ones((3, 3), np.uint8)
        own = np.where(self.truth > 0, self.truth, 99).astype(np.float32)
        meet = (cv2.erode(own, kernel) != own) | (where == "everywhere")
        return np.where(meet & (self.truth > 0), p, 0).astype(np.float32)

    def parted(self, where: str = "joints", *, p: float = 0.6) -> Parting:
        labels = (self.truth > 0).astype(np.int32)
        return part_crossings(labels, self.gap(where, p=p), self.photo, least_px=50)


def share_right(scene: Scene, labels: np.ndarray) -> float:
    """Return the share of pixels in pieces that each hold one true piece, one to one."""
    pairs = [
        (int(number), int(np.bincount(labels[scene.truth == number]).argmax()))
        for number in range(1, scene.pieces + 1)
    ]
    if len({found for _, found in pairs}) < scene.pieces:
        return 0.0
    right = sum(((scene.truth == true) & (labels == found)).sum() for true, found in pairs)
    return float(right / (scene.truth > 0).sum())


def arc(middle: Point, radius: float, start_deg: float, stop_deg: float) -> list[Point]:
    angles = np.deg2rad(np.linspace(start_deg, stop_deg, 60))
    return [(middle[0] + radius * np.cos(a), middle[1] + radius * np.sin(a)) for a in angles]


@pytest.mark.parametrize("angle", [90, 60, 40, 130])
@pytest.mark.parametrize(("under", "over"), [((GREY, 8), (RED, 14)), ((RED, 10), (RED, 10))])
def test_two_wires_across_each_other_are_two(
    angle: float, under: tuple[tuple[int, int, int], int], over: tuple[tuple[int, int, int], int]
) -> None:
    step = np.array([np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))]) * 170
    scene = Scene()
    scene.piece(
        [tuple(np.array([250, 200]) - step), tuple(np.array([250, 200]) + step)], *under[::-1]
    )
    scene.piece([(50, 200), (450, 200)], *over[::-1])
    parting = scene.parted()
    assert parting.labels.max() == 2
    # Of like colour nobody can tell which is on top: the crossing itself may go to either.
    assert share_right(scene, parting.labels) > (0.97 if under != over else 0.93)
    assert not parting.several


def test_the_crossing_goes_to_the_one_on_top() -> None:
    scene = Scene()
    scene.piece([(250, 30), (250, 370)], 20, DARK)
    scene.piece([(50, 200), (450, 200)], 9, RED)  # the thinner one lies over the wider one
    parting = scene.parted()
    on_top = parting.labels[scene.truth == 2]
    assert (on_top == np.bincount(on_top).argmax()).mean() > 0.98
    # What lies below is one piece on both sides.
    assert len(np.unique(parting.labels[[60, 340], [250, 250]])) == 1


def test_a_find_much_wider_than_the_working_size_is_parted_too() -> None:
    scene = Scene()
    scene.piece([(60, 60), (440, 340)], 7, GREY)
    scene.piece([(60, 330), (440, 120)], 56, DARK)
    parting = scene.parted()
    assert parting.labels.max() == 2
    assert share_right(scene, parting.labels) > 0.97


@pytest.mark.parametrize(("gap_p", "pieces"), [(0.6, 2), (0.0, 1)])
def test_a_wire_that_ends_at_another_is_parted_where_the_network_saw_them_meet(
    gap_p: float, pieces: int
) -> None:
    """Without any sign of a gap it is soldered there, or the branch of a fitting."""
    scene = Scene()
    scene.piece([(250, 200), (250, 370)], 6, GREY)
    scene.piece([(50, 200), (450, 200)], 16, RED)
    parting = scene.parted(p=gap_p)
    assert parting.labels.max() == pieces
    assert not parting.several
    if pieces == 2:
        assert share_right(scene, parting.labels) > 0.97


def test_a_branch_like_the_rest_stays() -> None:
    scene = Scene()
    scene.piece([(50, 200), (450, 200)], 14, RED)
    scene.more([(250, 200), (250, 370)], 14, RED)
    assert scene.parted("everywhere").labels.max() == 1


def test_a_wire_across_itself_stays_one() -> None:
    """By the geometry: a loop whose two ends leave it across each other."""
    loop = [(80.0, 330.0), *arc((250, 160), 90, 135, 405), (420.0, 330.0)]
    loop[0], loop[-1] = (420.0, 330.0), (80.0, 330.0)
    scene = Scene()
    scene.piece(loop, 10, RED)
    labels = scene.truth
    assert cv2.connectedComponents((labels == 0).astype(np.uint8), connectivity=4)[0] == 3
    parting = scene.parted("everywhere")
    assert parting.labels.max() == 1
    assert not parting.several


def test_a_bend_and_an_elbow_stay_one() -> None:
    scene = Scene()
    scene.piece([(60, 60), *arc((200, 160), 60, 180, 90), (440, 220)], 16, RED)
    assert scene.parted("everywhere").labels.max() == 1
    scene = Scene()
    scene.piece([(60, 300), (300, 300), (300, 60)], 24, RED)
    scene.more([(285, 300), (300, 300), (300, 285)], 32, RED)
    assert scene.parted("everywhere").labels.max() == 1


def test_a_stripped_end_stays_with_its_jacket() -> None:
    scene = Scene()
    scene.piece([(60, 200), (260, 200)], 20, DARK)
    scene.more([(260, 200), (440, 200)], 10, RED)
    assert scene.parted("everywhere").labels.max() == 1


def test_cores_that_leave_a_sheath_stay_with_it() -> None:
    scene = Scene()
    for colour, end in ((RED, (430, 120)), (DARK, (450, 200)), ((60, 110, 190), (430, 280))):
        if scene.pieces:
            scene.more([(270, 200), (320, (200 + end[1]) / 2), end], 10, colour)
        else:
            scene.piece([(270, 200), (320, (200 + end[1]) / 2), end], 10, colour)
    scene.more([(50, 200), (270, 200)], 30, GREY)
    assert scene.parted("everywhere").labels.max() == 1


def test_a_frayed_end_stays_with_its_cable() -> None:
    scene = Scene()
    scene.piece([(60, 200), (250, 200)], 26, DARK)
    for angle in np.deg2rad([-40, -24, -8, 8, 24, 40]):
        end = (250 + 150 * np.cos(angle), 200 + 150 * np.sin(angle))
        scene.more([(245, 200), end], 4, RED)
    parting = scene.parted("everywhere")
    assert parting.labels.max() == 1
    assert not parting.several


def test_a_jacket_that_ends_just_where_another_wire_crosses_stays_one_piece() -> None:
    scene = Scene()
    scene.piece([(60, 120), (250, 200)], 13, DARK)
    scene.more([(250, 200), (440, 280)], 9, RED)
    scene.piece([(250, 30), (250, 370)], 10, (200, 40, 60))
    parting = scene.parted()
    assert parting.labels.max() == 2
    assert share_right(scene, parting.labels) > 0.95


def test_a_wire_goes_on_beyond_a_wide_one_that_hides_much_of_it() -> None:
    """It runs under at a slant: its two halves meet the wide one at two places."""
    scene = Scene()
    scene.piece([(150, 60), (350, 340)], 7, GREY)
    scene.piece([(210, 30), (290, 370)], 30, DARK)
    parting = scene.parted()
    assert parting.labels.max() == 2
    assert share_right(scene, parting.labels) > 0.97


def test_where_limbs_hardly_pair_nothing_is_parted_and_the_find_is_named_as_several() -> None:
    """Two wires across each other, each bent by 50 degrees just there."""
    scene = Scene()
    for colour, width, start, turned in ((DARK, 13, 180, 50), (RED, 9, 270, 140)):
        ends = [(250 + 160 * np.cos(a), 200 + 160 * np.sin(a)) for a in np.deg2rad([start, turned])]
        scene.piece([ends[0], (250, 200), ends[1]], width, colour)
    parting = scene.parted()
    assert parting.labels.max() == 1
    assert parting.several == {1}
    assert not scene.parted(p=0).several  # the network knows it for one


@pytest.mark.parametrize("angle", [30, 45, 60])
def test_a_wire_that_bends_where_another_leaves_it_is_parted_from_it(angle: float) -> None:
    down = np.array([np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))]) * 170
    scene = Scene()
    scene.piece([(60, 200), (250, 200), (250 + down[0], 200 + down[1])], 14, DARK)
    scene.piece([(250, 200), (250 + down[0], 200 - down[1])], 6, RED)
    parting = scene.parted()
    assert parting.labels.max() == 2
    assert share_right(scene, parting.labels) > 0.97


def test_small_finds_and_lumps_are_left_as_they_are() -> None:
    scene = Scene()
    scene.piece([(200, 200), (300, 200)], 90, RED)
    labels = (scene.truth > 0).astype(np.int32)
    assert part_crossings(labels, scene.gap(p=0), scene.photo, least_px=50).labels is labels
    scene = Scene()
    scene.piece([(250, 30), (250, 370)], 9, DARK)
    scene.piece([(50, 200), (450, 200)], 9, RED)
    labels = (scene.truth > 0).astype(np.int32)
    gap = scene.gap()
    assert part_crossings(labels, gap, scene.photo, least_px=10**6).labels is labels
