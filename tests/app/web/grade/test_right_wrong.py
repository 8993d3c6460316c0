"""The two small pictures of a problem: wrong, and right."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from app.web.grade import right_wrong
from app.web.grade.right_wrong import alt_of, picture_of


@pytest.mark.parametrize("code", sorted(right_wrong.PAIRS))
def test_each_problem_shows_wrong_and_right(code: str) -> None:
    with Image.open(io.BytesIO(picture_of(code))) as picture:
        both = np.asarray(picture.convert("RGB")).astype(int)
    width = right_wrong.SIZE[0]
    wrong, right = both[:, :width], both[:, -width:]
    assert np.abs(wrong - right).mean() > 3, "they must differ to the eye"
    assert len(picture_of(code)) < 40_000
    assert "crossed out" in alt_of(code)


def test_pictures_belong_to_problems_that_exist() -> None:
    """A picture nobody could ever see is a mistake."""
    from vision.problems import CATALOGUE

    assert set(right_wrong.PAIRS) <= {key.split(".")[0] for key in CATALOGUE}
