"""How to take the second photo, drawn in three steps."""

from __future__ import annotations

import io

from PIL import Image

from app.web.grade.flash_help import STEP_PX, flash_help


def test_the_help_shows_three_steps() -> None:
    with Image.open(io.BytesIO(flash_help())) as picture:
        assert picture.size == (3 * STEP_PX[0], STEP_PX[1])
        assert len(flash_help()) < 40_000
