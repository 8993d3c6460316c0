"""Tones and signs against the contrast that WCAG 2.2 asks for, and against copper's own tint."""

from __future__ import annotations

import numpy as np
import pytest

from vision.picture import tones
from vision.picture.tones import (
    BAR,
    BAR_GROUND,
    BRASS,
    DARK,
    INK,
    LEFT_OUT,
    PAPER,
    RANKS,
    REFERENCE,
    SIGNS,
    SOFT_INK,
    SOLDER,
    UNSURE,
    WHITE,
    Tone,
    of_rank,
)

ON_DARK = (*RANKS, BRASS, SOLDER, REFERENCE, UNSURE, LEFT_OUT, WHITE)


def luminance(tone: Tone) -> float:
    """Relative luminance by WCAG 2.2 (sRGB, IEC 61966-2-1)."""
    c = np.array(tone) / 255
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one: Tone, other: Tone) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("ink", [INK, SOFT_INK])
def test_writing_on_paper_has_the_contrast_of_small_text(ink: Tone) -> None:
    assert contrast(ink, PAPER) >= 4.5  # WCAG 2.2, 1.4.3


@pytest.mark.parametrize("tone", ON_DARK)
def test_writing_on_labels_has_it_too(tone: Tone) -> None:
    assert contrast(tone, DARK) >= 4.5


def test_the_bar_parts_from_its_ground() -> None:
    assert contrast(BAR, BAR_GROUND) >= 3  # WCAG 2.2, 1.4.11


def test_every_tone_is_one_that_a_picture_holds() -> None:
    named = [value for name, value in vars(tones).items() if name.isupper() and name != "SIGNS"]
    flat = [tone for value in named for tone in (value if value is RANKS else (value,))]
    assert len(flat) > 15
    for tone in flat:
        assert len(tone) == 3 and all(0 <= code <= 255 for code in tone)


def test_each_grade_has_its_own_sign_and_the_last_stands_for_all_after_it() -> None:
    assert len(SIGNS) == len(RANKS) == len(set(SIGNS)) == len(set(RANKS))
    for rank in range(len(RANKS)):
        assert of_rank(rank) == (RANKS[rank], SIGNS[rank])
    assert of_rank(99) == of_rank(len(RANKS) - 1)


def test_no_mark_looks_like_copper() -> None:
    # Bare copper by its optical constants (Johnson and Christy 1972): 0.93, 0.62, 0.52 of linear
    # light; in tint, marks must differ from it, since they lie beside it.
    def tint(linear: np.ndarray) -> np.ndarray:
        return np.asarray(linear / linear.sum())

    def linear(tone: Tone) -> np.ndarray:
        c = np.array(tone) / 255
        return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)

    copper = tint(np.array([0.93, 0.62, 0.52]))
    for tone in (*RANKS, SOLDER, REFERENCE):
        assert np.abs(tint(linear(tone)) - copper).max() > 0.07
