"""The answer drawn on the photo: what was found where, what was measured, what it means.

All writing that is longer than a label stands beside the photo, on a panel.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from vision.picture.marks import Tag, draw_marks
from vision.picture.panel import Caption, draw_panel
from vision.picture.tones import PAPER
from vision.types import Examination, Image

PANEL_WIDTH_PX = 620
TWO_COLUMNS_PX = 1000
MOST_OVERHANG = 1.15
"""A panel beside the photo may be this much longer than it; else it goes below."""


def draw_overlay(
    examination: Examination, captions: Sequence[Caption], *, tags: Sequence[Tag] = ()
) -> Image:
    """Return the photo with everything that was found, and a panel that says what it means.

    The panel stands to the right of an upright photo, and below a wide one or where there is
    much to say. It is no higher than the photo: what does not fit is left to the report.

    Args:
        examination: What was found.
        captions: What to write of each piece, in the order of its pieces.
        tags: What each of several pieces wears on the photo, in the same order.

    Returns:
        ``(height, width, 3)`` uint8, RGB.
    """
    marked = draw_marks(examination, tags=tags, for_phone=False)
    height, width = marked.shape[:2]
    draw = partial(draw_panel, captions, is_unmeasured=examination.scale is None)
    problems = examination.problems
    if height >= width:
        panel = draw(problems, width=PANEL_WIDTH_PX, least_height=height, columns=1)
        if panel.shape[0] <= MOST_OVERHANG * height:
            below = np.full((panel.shape[0] - height, width, 3), PAPER, np.uint8)
            return np.concatenate([np.concatenate([marked, below], axis=0), panel], axis=1)
    columns = 2 if width >= TWO_COLUMNS_PX else 1
    for count in range(len(problems), min(1, len(problems)) - 1, -1):
        panel = draw(problems[:count], width=width, least_height=0, columns=columns)
        if panel.shape[0] <= height:
            break
    return np.concatenate([marked, panel], axis=0)
