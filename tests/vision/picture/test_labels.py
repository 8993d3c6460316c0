"""Where labels stand, on outlines drawn at known places."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.picture.drawn import box_outline
from vision.picture.labels import CELL_PX, NEAR, Box, Label, Labels, _least, _sums
from vision.picture.tones import SIGNS, WHITE

WIDE, HIGH = 800, 600


def rods(count: int, *, seed: int = 5) -> list[np.ndarray]:
    """Rods strewn over a table by a fixed seed, some across others."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(count):
        x, y, angle = rng.uniform(60, WIDE - 60), rng.uniform(60, HIGH - 60), rng.uniform(0, np.pi)
        along = np.array([np.cos(angle), np.sin(angle)]) * rng.uniform(20, 90)
        across = np.array([-along[1], along[0]]) / np.hypot(*along) * rng.uniform(2, 10)
        corners = np.array([along + across, along - across, -along - across, -along + across])
        found.append(np.clip(corners + (x, y), 0, (WIDE - 1, HIGH - 1)))
    return found


def table(outlines: list[np.ndarray], **look: object) -> Labels:
    labels = Labels(WIDE, HIGH)
    for outline in outlines:
        labels.avoid(outline)
    for number, outline in enumerate(outlines, start=1):
        labels.want(Label(text=f"{number}  No. 1", of=outline, tone=WHITE, **look))  # type: ignore[arg-type]
    return labels


def common_area(one: Box, other: Box) -> float:
    width = min(one.right, other.right) - max(one.left, other.left)
    height = min(one.bottom, other.bottom) - max(one.top, other.top)
    return max(0.0, width) * max(0.0, height)


@pytest.mark.parametrize("count", [1, 8, 20])
def test_labels_cover_neither_pieces_nor_each_other_nor_the_rim(count: int) -> None:
    labels = table(rods(count))
    placed = [box for _, box in labels.placed()]
    assert len(placed) == count
    for number, box in enumerate(placed):
        assert box.left >= 0 and box.top >= 0
        assert box.right <= WIDE and box.bottom <= HIGH
        assert all(common_area(box, other) == 0 for other in placed[:number])
        # A cell may be covered by its half that is another's.
        rows = slice(int(box.top) // CELL_PX + 1, int(box.bottom) // CELL_PX)
        columns = slice(int(box.left) // CELL_PX + 1, int(box.right) // CELL_PX)
        assert not labels.taken[rows, columns].any()


def test_a_label_stands_right_beside_its_piece_where_there_is_room() -> None:
    outline = box_outline(300, 300, 120, 30)
    ((_, box),) = table([outline]).placed()
    away_x = max(0.0, 300 - box.right, box.left - 420)
    away_y = max(0.0, 300 - box.bottom, box.top - 330)
    assert np.hypot(away_x, away_y) <= 2 * CELL_PX


def test_a_line_leads_to_a_piece_that_lies_among_others() -> None:
    """The small one in the middle has no room beside it; its line ends on it."""
    ring = [
        box_outline(200, 150, 400, 120),
        box_outline(200, 330, 400, 120),
        box_outline(200, 270, 150, 60),
        box_outline(450, 270, 150, 60),
    ]
    small = box_outline(390, 295, 20, 10)
    labels = Labels(WIDE, HIGH)
    for outline in (*ring, small):
        labels.avoid(outline)
    labels.want(Label(text="5  No. 1 and more", of=small, tone=WHITE))
    ((_, box),) = labels.placed()
    assert box.bottom <= 150 or box.top >= 450 or box.right <= 200 or box.left >= 600
    drawn = labels.drawn(np.zeros((HIGH, WIDE, 3), np.uint8))
    beside = drawn[280:320, 380:420].max(axis=2)
    assert (beside > 200).any(), "a line reaches the piece"


def test_what_may_be_left_out_is_where_it_would_stand_far_away() -> None:
    everything = box_outline(0, 0, WIDE, HIGH)
    labels = Labels(WIDE, HIGH)
    labels.avoid(everything)
    for optional in (False, True):
        labels.want(Label(text="word", of=everything, tone=WHITE, optional=optional))
    assert [label.optional for label, _ in labels.placed()] == [False]


@pytest.mark.parametrize("size", [(40, 900), (900, 20)])
def test_a_picture_with_no_room_at_all_is_drawn_all_the_same(size: tuple[int, int]) -> None:
    labels = Labels(*size)
    labels.want(Label(text="a word or two", of=box_outline(2, 2, 9, 9), tone=WHITE))
    assert labels.drawn(np.zeros((size[1], size[0], 3), np.uint8)).shape[:2] == size[::-1]


def test_near_labels_need_no_line() -> None:
    assert NEAR * Labels(WIDE, HIGH).size >= 2 * CELL_PX, "or each would have one"


def test_sums_and_least_of_boxes_are_those_of_a_plain_walk() -> None:
    # numpy over every box, an independent way.
    rng = np.random.default_rng(1)
    mask = (rng.random((12, 17)) < 0.3).astype(np.uint8)
    distance = rng.random((12, 17)).astype(np.float32)
    w, h = 5, 3
    boxes = np.lib.stride_tricks.sliding_window_view(mask, (h, w))
    assert (_sums(mask, w, h) == boxes.sum(axis=(2, 3))[:-1, :-1]).all()
    least = np.lib.stride_tricks.sliding_window_view(distance, (h, w)).min(axis=(2, 3))
    assert _least(distance, w, h) == pytest.approx(least[:-1, :-1])


@pytest.mark.parametrize("sign", SIGNS)
def test_each_sign_is_drawn_before_its_words(sign: str) -> None:
    plain, signed = Labels(WIDE, HIGH), Labels(WIDE, HIGH)
    outline = box_outline(300, 300, 120, 30)
    plain.want(Label(text="No. 1", of=outline, tone=WHITE))
    signed.want(Label(text="No. 1", of=outline, tone=WHITE, sign=sign))
    bare = np.full((HIGH, WIDE, 3), 90, np.uint8)
    (_, without), (_, box) = plain.placed()[0], signed.placed()[0]
    assert box.right - box.left > without.right - without.left
    drawn = signed.drawn(bare)
    left = drawn[int(box.top) : int(box.bottom), int(box.left) + 9 : int(box.left) + 28]
    assert 0.1 < (left.min(axis=2) > 200).mean() < 0.9


def test_no_two_signs_look_alike() -> None:
    drawn = []
    for sign in SIGNS:
        labels = Labels(WIDE, HIGH)
        labels.want(Label(text="x", of=box_outline(300, 300, 9, 9), tone=WHITE, sign=sign))
        drawn.append(labels.drawn(np.zeros((HIGH, WIDE, 3), np.uint8)))
    for number, one in enumerate(drawn):
        for other in drawn[:number]:
            assert (one != other).any(axis=2).sum() > 20


def test_words_on_what_they_name_lie_on_it() -> None:
    card = box_outline(200, 150, 400, 300)
    labels = Labels(WIDE, HIGH)
    labels.avoid(card)
    labels.want(Label(text="card", of=card, tone=WHITE, within=True))
    ((_, box),) = labels.placed()
    middle = np.array([(box.left + box.right) / 2, (box.top + box.bottom) / 2])
    assert middle == pytest.approx([400, 300], abs=3 * CELL_PX)
