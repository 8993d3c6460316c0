"""A fresh record store, and the cards of the fixtures."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from app.opening import open_records
from app.practice.cards import PracticeCard, fixture_cards, fixture_folder
from app.practice.store import Practice
from app.records import Records
from tests.app.records.pieces import HOUSE


@pytest.fixture(scope="session")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store without records, made once: migrating takes longer than most tests."""
    folder = tmp_path_factory.mktemp("empty") / "data"
    open_records(folder).close()
    return folder


@pytest.fixture
def records(tmp_path: Path, empty: Path) -> Iterator[Records]:
    with open_records(Path(shutil.copytree(empty, tmp_path / "data"))) as opened:
        yield opened


@pytest.fixture
def practice(records: Records) -> Practice:
    return Practice(records)


@pytest.fixture(scope="session")
def cards() -> tuple[PracticeCard, ...]:
    folder = fixture_folder()
    assert folder is not None
    return fixture_cards(folder, HOUSE)
