"""The printed result of the practice test."""

from __future__ import annotations

from datetime import UTC, datetime

import pypdfium2
import pytest

from app.practice.store import TEST_CARDS, PracticeTest, progress_of
from app.web.practice.paper import result_pdf
from tests.app.web.practice.answered import ANSWERS, GRADES, TITLES


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
