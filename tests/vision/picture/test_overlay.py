"""The overlay: what it must show, on drawn examinations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.drawn_examination import examination
from tests.vision.picture.drawn import caption
from vision.picture.marks import LONG_SIDE_PX
from vision.picture.overlay import PANEL_WIDTH_PX, draw_overlay
from vision.types import Problem


@pytest.mark.parametrize(("size", "beside"), [((900, 1200), False), ((1200, 900), True)])
def test_the_panel_stands_beside_an_upright_photo_and_below_a_wide_one(
    size: tuple[int, int], beside: bool
) -> None:
    drawn = draw_overlay(examination(size=size), [caption()] * 3)
    height, width = drawn.shape[:2]
    assert drawn.dtype == np.uint8
    assert (width == size[1] + PANEL_WIDTH_PX) if beside else (width == size[1])
    assert height >= size[0] if beside else height > size[0]


def test_a_large_photo_is_shown_small_and_left_as_it_was() -> None:
    found = examination(size=(1200, 2400), pieces=1)
    before = found.photo.rgb.copy()
    found.photo.rgb.flags.writeable = False
    drawn = draw_overlay(found, [caption()])
    assert drawn.shape[1] == LONG_SIDE_PX
    assert np.array_equal(found.photo.rgb, before)


def test_without_pieces_the_problem_is_told() -> None:
    empty = examination(size=(900, 1200), pieces=0, scale=False)
    drawn = draw_overlay(empty, [])
    panel = drawn[900:]
    assert (panel.min(axis=2) < 100).sum() > 500, "no writing on the panel"


def test_the_words_are_no_higher_than_the_photo() -> None:
    """What does not fit is in the report; the problem that comes first always stays."""
    problems = tuple(
        Problem(code=f"p{n}", text="It can't be told from here. " * 6, fix="Go nearer. " * 9)
        for n in range(12)
    )
    found = replace(examination(size=(900, 1200)), problems=problems)
    drawn = draw_overlay(found, [caption()] * 3)
    assert drawn.shape[0] <= 2 * 900
    alone = draw_overlay(replace(found, problems=problems[:1]), [caption()] * 3)
    assert drawn.shape[0] >= alone.shape[0]
