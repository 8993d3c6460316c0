"""Several photos of one recorded piece."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from app.opening import open_records
from app.records import PhotoRole, Records
from app.web.opinion.pooling import change_of, level_of, pooled_with, steps_of
from tests.app.web.buyer_photos import photo, saved


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Records]:
    with open_records(tmp_path) as opened:
        yield opened


def test_each_further_photo_narrows_the_interval(store: Records) -> None:
    record = saved(store, photo(0.30), photo(0.32, shade=1), photo(0.28, shade=2))
    widths = [step.level.high95 - step.level.low95 for step in steps_of(record)]
    assert len(widths) == 3
    assert widths == sorted(widths, reverse=True)
    assert widths[2] < 0.95 * widths[0]
    # What the photos share does not shrink, so three are less than root-three better.
    assert widths[2] > widths[0] / np.sqrt(3)


def test_photos_of_another_thing_are_noticed(store: Records) -> None:
    record = saved(store, photo(0.1), photo(0.9, shade=1))
    assert "tarnish_level" in pooled_with(record).disagreeing


def test_a_photo_from_after_cleaning_changes_nothing_of_what_it_was(store: Records) -> None:
    record = saved(store, photo(0.6), photo(0.1, PhotoRole.AFTER, shade=1))
    level = level_of(pooled_with(record).findings)
    assert level is not None
    assert level.value == pytest.approx(0.6)
    assert len(steps_of(record)) == 1
    change = change_of(record)
    assert change is not None
    assert change.difference == pytest.approx(-0.5)
    assert "Brighter by 0.50" in change.words()


def test_a_difference_within_the_doubt_is_none(store: Records) -> None:
    record = saved(store, photo(0.30), photo(0.28, PhotoRole.AFTER, shade=1))
    change = change_of(record)
    assert change is not None
    assert "No difference" in change.words()
    assert change_of(saved(store, photo(0.3, shade=3))) is None
