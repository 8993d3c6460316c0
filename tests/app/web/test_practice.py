"""Practice pages: pictures that give nothing away, figures as they are, the printed test."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from app.practice.cards import Topic
from app.practice.statistics import Kappa, cohen_kappa, share_of
from app.practice.store import TEST_CARDS, CardAnswer, PracticeTest, progress_of
from app.web import store
from app.web.practice.cards import all_cards, card_of, fixed_cards, question_pictures
from app.web.practice.paper import result_pdf
from app.web.practice.view import (
    confusion_table,
    kappa_words,
    mixed_up,
    share_words,
    summary,
    trend_of,
)
from rules.errors import CuproscopeError
from rules.sheet import load_sheet
from vision.photo.loading import load_photo_file

HOUSE = load_sheet("house")
GRADES = HOUSE.grade_ids
TITLES = {grade: HOUSE.title_of(grade) for grade in GRADES}


@pytest.fixture(autouse=True)
def empty_store(own_data: Path) -> Iterator[None]:
    store._opened.clear()
    question_pictures.clear()
    yield
    store._opened().close()
    store._opened.clear()


def told(truth: str, answered: str, number: int = 0) -> CardAnswer:
    return CardAnswer(
        id=str(number),
        card_key=f"card {number}",
        topic=Topic.BRASS,
        truth=truth,
        answered=answered,
        reason_right=True,
        seconds=3.0,
        test_id=None,
        answered_utc=datetime(2026, 1, 1, tzinfo=UTC),
    )


ANSWERS = [
    told(truth, answered, number)
    for number, (truth, answered) in enumerate(
        [("no1", "no1")] * 12 + [("no2", "no2")] * 9 + [("no2", "no1")] * 3 + [("no1", "no2")] * 2
    )
]


def test_the_question_shows_the_piece_and_gives_nothing_away() -> None:
    card = next(card for card in fixed_cards() if card.findings.brass.p > 0.5)
    assert card.place is not None
    assert card.photo_path is not None
    near, whole = question_pictures(card.key)
    with Image.open(io.BytesIO(near)) as picture:
        pixels = np.asarray(picture.convert("RGB")).astype(int)
    # The mark for brass is drawn in a yellow that no metal has (vision/picture/tones.py).
    yellow = (np.abs(pixels - np.array([255, 214, 92])) < 12).all(axis=2)
    assert not yellow.any()
    photo = load_photo_file(card.photo_path)
    with Image.open(io.BytesIO(whole)) as picture:
        assert picture.width / picture.height == pytest.approx(
            photo.width_px / photo.height_px, rel=0.01
        )


def test_there_are_cards_for_the_whole_test_and_each_can_be_found() -> None:
    assert len(fixed_cards()) >= TEST_CARDS
    assert all_cards() == fixed_cards(), "an empty shop has no cards of its own"
    assert card_of(fixed_cards()[3].key) is fixed_cards()[3]
    with pytest.raises(CuproscopeError, match="deleted"):
        card_of("record:gone")


def test_kappa_is_said_with_its_interval_and_a_word() -> None:
    """The words are those of Landis and Koch 1977."""
    progress = progress_of(ANSWERS, grades=GRADES)
    assert progress.kappa is not None
    words = kappa_words(progress.kappa)
    assert f"{progress.kappa.value:.2f}" in words
    assert f"{progress.kappa.low95:.2f} and {progress.kappa.high95:.2f}" in words
    assert words.endswith("moderate" if progress.kappa.value <= 0.6 else "substantial")
    assert kappa_words(None) == "too few answers to tell"
    perfect = cohen_kappa([[5, 0], [0, 5]])
    assert perfect is not None
    assert kappa_words(perfect).endswith("almost perfect")
    worse = Kappa(value=-0.3, low95=-0.5, high95=0, se=0.1, observed=0.2, expected=0.5, count=10)
    assert kappa_words(worse).endswith("none")
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
    assert share_words(share_of(21, 26)).startswith("21 of 26 (81 %")
    assert share_words(None) == "no answers yet"
    assert "answers 1 to" in trend_of(progress_of(ANSWERS, grades=GRADES))
    assert "no answers yet" in summary(progress_of([], grades=GRADES))


@pytest.mark.parametrize("name", ["Ada", "<b>x</b> & Zoë", "名前 \U0001f600"])
def test_the_printed_result_says_who_when_and_how_well(name: str) -> None:
    answers = tuple((ANSWERS * 2)[:TEST_CARDS])
    test = PracticeTest(
        id="t",
        helper_id="h",
        card_keys=tuple(str(n) for n in range(TEST_CARDS)),
        begun_utc=datetime(2026, 3, 1, 12, tzinfo=UTC),
        answers=answers,
    )
    progress = progress_of(answers, grades=GRADES)
    data = result_pdf(test, progress, name=name, titles=TITLES)
    paper = pypdfium2.PdfDocument(data)
    text = "".join(page.get_textpage().get_text_range() for page in paper)
    paper.close()
    assert name.encode("latin-1", "replace").decode("latin-1").split()[0] in text
    assert "Mar 2026" in text
    assert str(progress.right.right if progress.right else "") in text
    assert text.count("wrong") == sum(not answer.is_right for answer in answers)
