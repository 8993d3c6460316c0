"""What lies there and is no piece, on drawn finds and maps whose truth is by construction."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision.pieces.left_out import LEAST_MM, sort_out, taps_on_nothing
from vision.types import Photo, Region, Scale, Surface, SurfaceMap, Why

WIDE, HIGH, CELL = 800, 600, 10
MM_PER_PX = 0.25


def photo() -> Photo:
    return Photo(name="drawn", sha256="0" * 64, rgb=np.full((HIGH, WIDE, 3), 200, np.uint8))


def region(x: int, y: int, w: int, h: int) -> Region:
    corners = [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]
    return Region(
        box_px=(x, y, w, h),
        mask=np.ones((h, w), bool),
        outline_px=np.array(corners, np.float64),
        score=1.0,
    )


def scale() -> Scale:
    corners = np.array([(700.0, 500.0), (790.0, 500.0), (790.0, 590.0), (700.0, 590.0)])
    return Scale(
        reference="card",
        mm_from_px=np.diag([MM_PER_PX, MM_PER_PX, 1.0]),
        mm_per_px=MM_PER_PX,
        u_rel=0.002,
        budget={"all": 0.002},
        tilt_deg=0.0,
        residual_px=0.1,
        camera_mm=(0.0, 0.0, 300.0),
        outlines_px=(corners,),
    )


def overview(*strangers: tuple[int, int, int, int], p: float = 0.9) -> SurfaceMap:
    """A table with strangers in these boxes, each surely one by ``p``."""
    rows, columns = HIGH // CELL, WIDE // CELL
    stranger = np.zeros((rows, columns), np.float32)
    for x, y, w, h in strangers:
        stranger[y // CELL : (y + h) // CELL, x // CELL : (x + w) // CELL] = p
    maps = np.zeros((len(Surface), rows, columns), np.float32)
    maps[list(Surface).index(Surface.STRANGER)] = stranger
    maps[list(Surface).index(Surface.TABLE)] = 1 - stranger
    nothing = np.zeros((rows, columns), np.float32)
    return SurfaceMap(
        p=maps,
        tarnish_level=nothing,
        box_px=(0, 0, WIDE, HIGH),
        outline=np.zeros((2, HIGH, WIDE), np.float32),
    )


LONG = region(50, 50, 200, 20)  # 50 mm
SHORT = region(50, 200, 40, 20)  # 10 mm


def test_what_is_shorter_than_the_least_is_told_and_no_piece() -> None:
    pieces, left_out = sort_out(photo(), overview(), [LONG, SHORT], scale())
    assert pieces == [LONG]
    assert [one.why for one in left_out] == [Why.SHORT]


@pytest.mark.parametrize(("length_mm", "is_piece"), [(LEAST_MM - 1, False), (LEAST_MM + 1, True)])
def test_the_limit_is_in_mm_whichever_way_the_piece_lies(length_mm: float, is_piece: bool) -> None:
    length = length_mm / MM_PER_PX
    turned = np.array([(0.0, 0.0), (length, 0.0), (length, 8.0), (0.0, 8.0)]) @ np.array(
        [[0.8, 0.6], [-0.6, 0.8]]
    ) + (300, 200)
    one = Region(box_px=(300, 200, 60, 60), mask=SHORT.mask, outline_px=turned, score=1.0)
    assert (one in sort_out(photo(), overview(), [LONG, one], scale())[0]) is is_piece


def test_without_a_scale_the_photo_itself_is_the_measure() -> None:
    speck = region(400, 300, 20, 10)  # 2.5 % of the photo's width
    pieces, _ = sort_out(photo(), overview(), [LONG, SHORT, speck], None)
    assert pieces == [LONG, SHORT]


def test_where_nothing_longer_lies_there_the_photo_is_about_the_short_one() -> None:
    assert sort_out(photo(), overview(), [SHORT], scale())[0] == [SHORT]


def test_cut_ends_may_be_short() -> None:
    pieces, _ = sort_out(photo(), overview(), [LONG, SHORT], scale(), any_length=True)
    assert pieces == [LONG, SHORT]


def test_a_stranger_is_told_where_it_lies() -> None:
    box = (400, 200, 120, 60)
    _, (seen,) = sort_out(photo(), overview(box), [LONG], scale())
    assert seen.why is Why.STRANGER
    low, high = seen.outline_px.min(axis=0), seen.outline_px.max(axis=0)
    assert np.allclose(low, (400, 200), atol=CELL)
    assert np.allclose(high, (520, 260), atol=CELL)


@pytest.mark.parametrize(
    "seen",
    [
        pytest.param(overview((400, 200, 120, 60), p=0.6), id="hardly one"),
        pytest.param(overview((400, 200, 40, 40)), id="a speck"),
        pytest.param(overview((700, 500, 90, 90)), id="the reference"),
        pytest.param(overview((50, 50, 200, 20)), id="the piece"),
    ],
)
def test_no_stranger_is_told(seen: SurfaceMap) -> None:
    assert sort_out(photo(), seen, [LONG], scale())[1] == []


def test_a_tap_turns_what_was_left_out_into_a_piece() -> None:
    box = (400, 200, 120, 60)
    pieces, left_out = sort_out(
        photo(), overview(box), [LONG, SHORT], scale(), also=[(70.0, 210.0), (450.0, 230.0)]
    )
    assert left_out == []
    assert pieces[:2] == [LONG, SHORT]
    x, y, w, h = pieces[2].box_px
    assert np.allclose((x, y, x + w, y + h), (400, 200, 520, 260), atol=CELL)


def test_a_tap_on_the_bare_table_changes_nothing() -> None:
    pieces, _ = sort_out(photo(), overview(), [LONG, SHORT], scale(), also=[(600.0, 100.0)])
    assert pieces == [LONG]


def test_a_tap_takes_in_what_is_no_ground_though_nobody_drew_it() -> None:
    """A nut that is told as another metal, or a shred that hardly is one whole piece."""
    box = (400, 200, 60, 60)
    seen = overview(box)
    classes = list(Surface)
    p = seen.p.copy()
    p[[classes.index(Surface.OTHER_METAL), classes.index(Surface.STRANGER)]] = p[
        [classes.index(Surface.STRANGER), classes.index(Surface.OTHER_METAL)]
    ]
    metal = replace(seen, p=p)
    assert sort_out(photo(), metal, [LONG], scale()) == ([LONG], [])
    at = (430.0, 230.0)
    (_, nut), left_out = sort_out(photo(), metal, [LONG], scale(), also=[at, at])
    x, y, w, h = nut.box_px
    assert np.allclose((x, y, x + w, y + h), (400, 200, 460, 260), atol=CELL)
    assert left_out == []
    assert taps_on_nothing([LONG, nut], [at, (600.0, 100.0)], photo()) == [(600.0, 100.0)]


def test_the_larger_stranger_is_told_first_and_weak_ones_are_not() -> None:
    small, large = (400, 200, 100, 40), (400, 400, 200, 100)
    _, told = sort_out(photo(), overview(small, large), [LONG], scale())
    spans = [float(np.ptp(one.outline_px[:, 0])) for one in told]
    assert spans == pytest.approx([200, 100], abs=2 * CELL)


def test_at_half_the_scale_the_same_thing_is_half_as_long() -> None:
    # 80 px are 20 mm at 0.25 mm a pixel, and 10 mm at 0.125.
    one = region(50, 300, 80, 20)
    finer = replace(scale(), mm_from_px=np.diag([0.125, 0.125, 1.0]), mm_per_px=0.125)
    assert one in sort_out(photo(), overview(), [LONG, one], scale())[0]
    assert one not in sort_out(photo(), overview(), [LONG, one], finer)[0]


def test_of_several_short_ones_a_tap_takes_the_one_under_the_finger() -> None:
    other = region(50, 400, 40, 20)
    finds = [LONG, SHORT, other]
    pieces, (left,) = sort_out(photo(), overview(), finds, scale(), also=[(60.0, 405.0)])
    assert pieces == [LONG, other]
    assert left.outline_px is SHORT.outline_px
