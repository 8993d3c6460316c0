"""Practice cards: pictures that give nothing away."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from app.practice.store import TEST_CARDS
from app.web import store
from app.web.practice.cards import (
    all_cards,
    card_of,
    fixed_cards,
    measured_picture,
    question_pictures,
)
from rules.errors import CuproscopeError
from vision.photo.loading import load_photo_file


@pytest.fixture(autouse=True)
def empty_store(own_data: Path) -> Iterator[None]:
    store._opened.clear()
    question_pictures.clear()
    yield
    store._opened().close()
    store._opened.clear()


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


def test_the_answer_shows_the_cards_own_piece_where_several_lie_there() -> None:
    name = "handful_on_wood.jpg"
    card = next(c for c in fixed_cards() if c.photo_path is not None and c.photo_path.name == name)
    data = measured_picture(card)
    assert data is not None and card.photo_path is not None
    photo = load_photo_file(card.photo_path)
    with Image.open(io.BytesIO(data)) as picture:
        assert picture.width / picture.height != pytest.approx(
            photo.width_px / photo.height_px, rel=0.01
        )
