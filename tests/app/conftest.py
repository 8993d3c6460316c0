"""An examination that needs no photo worth examining."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import vision.examine
from rules.errors import PhotoError
from tests.vision.drawn_examination import examination
from vision.types import Examination, Photo

pytest.register_assert_rewrite("tests.app.contract")


@pytest.fixture(autouse=True)
def main_module() -> Iterator[None]:
    """Give back the main module, in whose place Streamlit leaves the page it last ran.

    A process spawned by a later test would run that page first, and die of it.
    """
    before = sys.modules["__main__"]
    yield
    sys.modules["__main__"] = before


@pytest.fixture
def seen(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[dict[str, Any]]]:
    """Replace the examination by one that answers by the photo's name; keep the calls."""
    calls: list[dict[str, Any]] = []

    def stand_in(photo: Photo, **asked: Any) -> Examination:
        calls.append({"name": photo.name, **asked})
        if photo.name.startswith("crash"):
            raise ZeroDivisionError("a fault of ours")
        if photo.name.startswith("refuse"):
            raise PhotoError("it is of a cat", code="not_metal", fix="Try copper.")
        without = photo.name.startswith("noscale")
        found = examination(
            size=(480, 640),
            pieces=0 if photo.name.startswith("empty") else 1 if without else 3,
            scale=not without,
        )
        pieces = found.pieces
        if without:
            pieces = tuple(_without_mm(piece) for piece in pieces)
        return Examination(photo=photo, scale=found.scale, pieces=pieces, problems=found.problems)

    monkeypatch.setattr(vision.examine, "examine", stand_in)
    yield calls


def _without_mm(piece: Any) -> Any:
    bare = replace(piece.findings, diameter=None, strand_diameter=None)
    return replace(piece, findings=bare, measured_lines_px=np.zeros((0, 2, 2)))
