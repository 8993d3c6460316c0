"""What saved pieces are called."""

from __future__ import annotations

import pytest

from app.web.grade.save import names_of


@pytest.mark.parametrize(
    ("count", "called", "names"),
    [
        (1, "", [""]),
        (1, "cellar tube", ["cellar tube"]),
        (3, "van", ["van 1", "van 2", "van 3"]),
        (2, "", ["IMG_7.copy 1", "IMG_7.copy 2"]),
    ],
)
def test_of_several_pieces_each_is_called_by_its_number_on_the_picture(
    count: int, called: str, names: list[str]
) -> None:
    assert names_of(count, called=called, photo="IMG_7.copy.jpg") == names
