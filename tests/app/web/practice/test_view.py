"""Figures of practice, told as they are."""

from __future__ import annotations

from dataclasses import replace

from app.practice.statistics import Kappa, cohen_kappa, share_of
from app.practice.store import progress_of
from app.web.practice.view import (
    confusion_table,
    kappa_words,
    mixed_up,
    share_words,
    summary,
    trend_of,
)
from tests.app.web.practice.answered import ANSWERS, GRADES, TITLES


def test_kappa_is_said_with_its_interval_and_a_word() -> None:
    """The words are those of Landis and Koch 1977."""
    progress = progress_of(ANSWERS, grades=GRADES)
    assert progress.kappa is not None
    words = kappa_words(progress.kappa)
    assert f"{progress.kappa.value:.2f}" in words
    assert f"{progress.kappa.low95:.2f} to {progress.kappa.high95:.2f}" in words
    assert words.startswith("moderate" if progress.kappa.value <= 0.6 else "substantial")
    assert kappa_words(None) == "too few answers to tell"
    perfect = cohen_kappa([[5, 0], [0, 5]])
    assert perfect is not None
    assert kappa_words(perfect).startswith("almost perfect")
    worse = Kappa(value=-0.3, low95=-0.5, high95=0, se=0.1, expected=0.5, count=10)
    assert kappa_words(worse).startswith("none")
    assert kappa_words(replace(worse, count=9)) == "too few answers to tell"


def test_the_table_marks_what_is_right_and_names_the_mix_up() -> None:
    progress = progress_of(ANSWERS, grades=GRADES)
    table = confusion_table(progress.confusion, TITLES)
    assert "✓ 12" in table
    assert "✓ 9" in table
    assert ">3<" in table
    assert mixed_up(progress.confusion, TITLES) == "Mixed up most: No. 1 and No. 2 (5 times)."
    assert "No two grades" in mixed_up(progress_of([], grades=GRADES).confusion, TITLES)


def test_figures_say_how_many_they_stand_on() -> None:
    assert share_words(share_of(21, 26)).startswith("21 of 26: 81 % (6")
    assert share_words(None) == "no answers yet"
    assert "answers 1 to" in trend_of(progress_of(ANSWERS, grades=GRADES))
    assert ">answer 1<" in trend_of(progress_of(ANSWERS[:1], grades=GRADES))
    assert "no answers yet" in summary(progress_of([], grades=GRADES))
