"""The panel of words beside a photo."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.picture.drawn import caption
from vision.picture import panel
from vision.picture.panel import MOST_IN_FULL, draw_panel
from vision.picture.tones import BAR, BAR_GROUND
from vision.picture.writing import Line, block
from vision.types import Problem


@pytest.mark.parametrize("confidence", [0.0, 0.25, 0.5, 1.0])
def test_the_bar_is_as_long_as_the_confidence(confidence: float) -> None:
    bar = panel._bar(caption(confidence=confidence), 560)
    blue = (np.abs(bar.astype(int) - BAR).max(axis=2) < 10)[19]
    ground = (np.abs(bar.astype(int) - BAR_GROUND).max(axis=2) < 10)[19]
    share = blue.sum() / (blue.sum() + ground.sum())
    assert share == pytest.approx(confidence, abs=0.06)


def words_of(monkeypatch: pytest.MonkeyPatch, count: int, unsure: dict[int, float]) -> list[str]:
    """The first words of each block for so many pieces, unsure ones with their confidence."""
    told: list[str] = []

    def remember(lines: list[Line], width: int) -> np.ndarray:
        told.extend(text for text, _, _ in lines[:1])
        return block(lines, width)

    monkeypatch.setattr("vision.picture.panel.block", remember)
    captions = [
        caption(confidence=unsure.get(n, 0.99), is_unsure=n in unsure) for n in range(1, count + 1)
    ]
    draw_panel(captions, (), width=1200, least_height=0, columns=2, is_unmeasured=False)
    return told


def test_of_many_pieces_the_worst_doubt_comes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    told = words_of(monkeypatch, MOST_IN_FULL + 2, {2: 0.7, 5: 0.4})
    assert told[0] == f"2 of {MOST_IN_FULL + 2} need a check"
    assert [text.split(".")[0] for text in told[1:4]] == ["5", "2", "1"]
    assert "?" in told[1] and "?" not in told[3]


def test_few_pieces_stand_in_the_order_of_their_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    told = words_of(monkeypatch, 3, {2: 0.4})
    assert [text.split(".")[0] for text in told if text[0].isdigit()] == ["1", "2", "3"]


def test_columns_are_read_down_and_about_equally_high() -> None:
    blocks = [np.zeros((100, 10, 3), np.uint8) for _ in range(7)]
    left, right = panel._stacked(blocks, 2)
    assert [*map(id, left), *map(id, right)] == [*map(id, blocks)]
    assert abs(len(left) - len(right)) == 1


def test_the_panel_is_as_wide_as_told_and_at_least_as_high() -> None:
    for width, least in ((620, 0), (620, 2000), (1200, 300)):
        drawn = draw_panel([caption()], (), width=width, least_height=least, columns=1,
                           is_unmeasured=False)  # fmt: skip
        assert drawn.shape[1] == width and drawn.shape[0] >= least
        assert drawn.dtype == np.uint8


@pytest.mark.parametrize("unmeasured", [False, True])
def test_where_nothing_was_measured_the_problem_stands_above_the_grades(
    monkeypatch: pytest.MonkeyPatch, *, unmeasured: bool
) -> None:
    problem = Problem(code="no_reference", text="No reference was found.", fix="Lay a card there.")
    monkeypatch.setattr(
        "vision.picture.panel._problem_block",
        lambda *told: np.full((20, told[-1], 3), (255, 0, 255), np.uint8),
    )
    drawn = draw_panel(
        [caption()], [problem], width=900, least_height=0, columns=1, is_unmeasured=unmeasured
    )
    problem_at = np.flatnonzero((drawn == (255, 0, 255)).all(axis=2).any(axis=1)).mean()
    grade_at = np.flatnonzero((np.abs(drawn.astype(int) - BAR).max(axis=2) < 10).any(axis=1)).mean()
    assert bool(problem_at < grade_at) is unmeasured


def test_without_pieces_it_says_that_there_is_no_grade(monkeypatch: pytest.MonkeyPatch) -> None:
    assert words_of(monkeypatch, 0, {}) == ["No grade"]
