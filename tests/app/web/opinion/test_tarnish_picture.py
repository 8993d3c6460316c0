"""The bar of reference surfaces: marks and limits stand at their levels, pixel by pixel."""

from __future__ import annotations

import io
from functools import cache

import numpy as np
import pytest
from PIL import Image, ImageFont

from app.web.opinion.tarnish_picture import WIDTH, Cut, Mark, alt_of, named_at, tarnish_picture

BLUE = (47, 88, 127)


def pixels(marks: tuple[Mark, ...], cuts: tuple[Cut, ...] = ()) -> np.ndarray:
    data = tarnish_picture(marks, cuts)
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)


def columns_of(picture: np.ndarray, colour: tuple[int, int, int], rows: slice) -> np.ndarray:
    near = np.abs(picture[rows] - colour).max(axis=2) < 40
    return np.flatnonzero(near.any(axis=0))


def level_at(picture_x: float, ends: tuple[float, float]) -> float:
    return (picture_x - ends[0]) / (ends[1] - ends[0])


def limit_at(value: float) -> float:
    """Column of a limit that is drawn on the bar: where it differs from the bare one."""
    drawn, bare = pixels((), (Cut(name="a", value=value),)), pixels(())
    changed = np.abs(drawn[20:120] - bare[20:120]).max(axis=2) > 60
    return float(np.flatnonzero(changed.any(axis=0)).mean())


@cache
def scale_of_bar() -> tuple[float, float]:
    """Where 0 and 1 lie, by two limits drawn there."""
    return limit_at(0.0), limit_at(1.0)


@pytest.mark.parametrize("value", [0.1, 0.4, 0.75])
def test_a_limit_is_drawn_at_its_level(value: float) -> None:
    assert level_at(limit_at(value), scale_of_bar()) == pytest.approx(value, abs=0.01)


@pytest.mark.parametrize(("low", "value", "high"), [(0.2, 0.3, 0.45), (0.0, 0.1, 0.6)])
def test_a_mark_has_its_interval_as_a_bar(low: float, value: float, high: float) -> None:
    picture = pixels((Mark(name="yours", value=value, low=low, high=high),))
    bar = columns_of(picture, BLUE, slice(12, 72))
    ends = scale_of_bar()
    assert level_at(bar.min(), ends) == pytest.approx(low, abs=0.02)
    assert level_at(bar.max(), ends) == pytest.approx(high, abs=0.02)


def test_a_single_mark_has_no_bar_and_each_mark_has_a_line_of_its_own() -> None:
    one = pixels((Mark(name="yours", value=0.5),))
    assert not len(columns_of(one, BLUE, slice(0, 60)))
    two = pixels((Mark(name="yours", value=0.5), Mark(name="the tool", value=0.5)))
    assert two.shape[0] > one.shape[0]
    assert one.shape[1] == two.shape[1] == WIDTH


def test_the_bar_darkens_from_fresh_to_black() -> None:
    bar = pixels(())[40:110, 14 : WIDTH - 150].mean(axis=(0, 2))
    smooth = np.convolve(bar, np.ones(25) / 25, mode="valid")
    assert smooth[0] > 2 * smooth[-1]
    assert np.diff(smooth[::25]).max() < 6  # never much lighter again


@pytest.mark.parametrize("value", [-0.5, 1.5])
def test_a_level_off_the_scale_stays_on_the_picture(value: float) -> None:
    low, high = scale_of_bar()
    assert limit_at(value) == pytest.approx(low if value < 0 else high, abs=1)


def test_the_picture_in_words_says_the_same() -> None:
    told = alt_of(
        [Mark(name="yours", value=0.3, low=0.2, high=0.45), Mark(name="the tool", value=0.5)],
        [Cut(name="No. 1", value=0.6)],
    )
    assert told == (
        "Strip of copper surfaces from fresh (0) to black (1); yours at 0.30, between 0.20 and "
        "0.45; the tool at 0.50; limit No. 1 at 0.60"
    )


@pytest.mark.parametrize(
    ("x", "words", "stroke"),
    [(174.0, "Bare bright by the sheet", "before"), (500.0, "No. 1 by the sheet: up to", "behind"),
     (400.0, "No. 1 by a yard with a very long name", "none")],
)  # fmt: skip
def test_the_stroke_of_a_limits_words_stands_below_the_limit(
    x: float, words: str, stroke: str
) -> None:
    font = ImageFont.load_default(size=30)
    assert isinstance(font, ImageFont.FreeTypeFont)
    left, told = named_at(x, words, font)
    length, half = font.getlength(told), font.getlength("|") / 2
    assert left >= 12 and left + length <= WIDTH - 12
    if stroke == "before":
        assert told.startswith("| ") and left + half == pytest.approx(x)
    elif stroke == "behind":
        assert told.endswith(" |") and left + length - half == pytest.approx(x)
    else:
        assert told == words
