"""Lines on a picture: where they are told, seen on any ground, by geometry and by what changes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.vision.picture.drawn import box_outline
from vision.picture.lines import (
    DASH_PX,
    MOST_WIDTHS,
    corners_of,
    dashed,
    dotted,
    line,
    onto,
    widths,
)
from vision.picture.tones import DARK, WHITE
from vision.types import Image

TONE = (190, 240, 190)


def sheet(shade: int = 128) -> Image:
    return np.full((200, 300, 3), shade, np.uint8)


def toned(canvas: Image) -> np.ndarray:
    """Where the tone itself shows."""
    return np.asarray(np.abs(canvas.astype(int) - TONE).max(axis=2) < 12)


def changed(canvas: Image, shade: int = 128) -> np.ndarray:
    return np.asarray(np.abs(canvas.astype(int) - shade).max(axis=2) > 20)


@given(st.floats(0.2, 8.0), st.floats(-50, 4000), st.floats(-50, 4000))
def test_a_shown_pixel_covers_its_photo_pixels(factor: float, x: float, y: float) -> None:
    """Edges of pixels lie half a pixel from their centres in both: shown times factor is photo."""
    (shown,) = onto(np.array([[x, y]]), factor)
    assert (shown + 0.5) * factor == pytest.approx([x + 0.5, y + 0.5], abs=1e-9)


def test_the_corners_of_a_box_are_its_outermost_pixels() -> None:
    assert corners_of((10, 20, 5, 3), 1.0).tolist() == [[10, 20], [14, 20], [14, 22], [10, 22]]
    # At half the size the pixels 10 to 13 are 5 and 6.
    low, high = corners_of((10, 20, 4, 4), 2.0)[[0, 2]]
    assert low == pytest.approx([4.75, 9.75])
    assert high == pytest.approx([6.25, 11.25])


@pytest.mark.parametrize("shade", [0, 128, 255])
def test_a_line_shows_on_black_grey_and_white(shade: int) -> None:
    canvas = sheet(shade)
    line(canvas, np.array([[20.0, 100.0], [280.0, 100.0]]), TONE)
    assert toned(canvas)[100, 30:270].all()
    # Beside the tone lies its dark rim: one of the two differs from any ground.
    rim = canvas[97:104, 150].astype(int)
    assert (np.abs(rim - DARK).max(axis=1) < 60).any()
    assert not changed(canvas, shade)[:90].any()


def test_a_line_between_two_pixels_lies_between_them() -> None:
    light = []
    for y in (100.0, 100.5, 101.0):
        canvas = sheet(0)
        line(canvas, np.array([[20.0, y], [280.0, y]]), WHITE)
        rows = canvas[:, 150, 0].astype(float)
        light.append(float(rows @ np.arange(200) / rows.sum()))
    assert np.diff(light) == pytest.approx([0.5, 0.5], abs=0.15)


def test_a_closed_line_comes_back_to_its_start() -> None:
    corners = box_outline(50, 40, 200, 100)
    closed, opened = sheet(), sheet()
    line(closed, corners, TONE, closed=True)
    line(opened, corners, TONE)
    assert toned(closed)[50:130, 50].all()
    assert not toned(opened)[50:130, 50].any()
    assert not changed(closed)[60:120, 70:230].any(), "nothing is filled"


def test_about_half_of_a_dashed_line_is_there() -> None:
    canvas = sheet()
    dashed(canvas, box_outline(30, 30, 240, 140), TONE)
    top = toned(canvas)[30, 35:265]
    assert 0.4 < top.mean() < 0.75
    starts = np.flatnonzero(np.diff(top.astype(int)) == 1)
    assert np.diff(starts) == pytest.approx(2 * DASH_PX, abs=1.5)


def test_dots_are_fainter_than_dashes_and_lie_on_the_line() -> None:
    ring = box_outline(30, 30, 240, 140)
    dots, dashes = sheet(), sheet()
    dotted(dots, ring, TONE)
    dashed(dashes, ring, TONE)
    assert 0 < changed(dots).sum() < 0.8 * changed(dashes).sum()
    y, x = np.nonzero(changed(dots))
    away = np.minimum.reduce([abs(x - 30), abs(x - 270), abs(y - 30), abs(y - 170)])
    assert away.max() <= 4


@pytest.mark.parametrize("count", [1, 5, MOST_WIDTHS, 200])
def test_of_many_widths_a_few_stay_the_first_and_the_last_among_them(count: int) -> None:
    at = np.linspace(20, 280, count)
    lines = np.stack([np.column_stack([at, np.full(count, y)]) for y in (60.0, 140.0)], axis=1)
    canvas = sheet()
    widths(canvas, lines, 1.0)
    bars = (canvas[100].min(axis=1) > 250).astype(int)
    starts = np.flatnonzero(np.diff(np.concatenate([[0], bars, [0]])) == 1)
    assert len(starts) == min(count, MOST_WIDTHS)
    assert abs(starts[0] - at[0]) <= 3 and abs(starts[-1] - at[-1]) <= 3


def test_a_width_has_ticks_square_to_it_at_both_ends() -> None:
    canvas = sheet()
    widths(canvas, np.array([[[100.0, 60.0], [100.0, 140.0]]]), 1.0)
    seen = changed(canvas)
    for y in (60, 140):
        assert seen[y, 96:105].all()
    assert not seen[100, 90:96].any(), "between them there is the bar alone"


def test_nothing_measured_and_no_width_at_all_draw_nothing() -> None:
    canvas = sheet()
    widths(canvas, np.zeros((0, 2, 2)), 1.0)
    widths(canvas, np.full((3, 2, 2), 50.0), 1.0)
    assert not changed(canvas).any()
