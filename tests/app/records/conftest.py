"""A fresh record store for each test, and another to import into."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from app.opening import open_records
from app.records import Records


@pytest.fixture(scope="session")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store without records, made once: migrating takes longer than most tests."""
    folder = tmp_path_factory.mktemp("empty") / "data"
    open_records(folder).close()
    return folder


@pytest.fixture
def folder(tmp_path: Path, empty: Path) -> Path:
    return Path(shutil.copytree(empty, tmp_path / "data"))


@pytest.fixture
def records(folder: Path) -> Iterator[Records]:
    with open_records(folder) as opened:
        yield opened


@pytest.fixture
def other(tmp_path: Path, empty: Path) -> Iterator[Records]:
    with open_records(Path(shutil.copytree(empty, tmp_path / "other"))) as opened:
        yield opened
