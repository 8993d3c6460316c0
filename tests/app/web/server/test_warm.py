"""What is loaded beside the server is there before the first photo, and never in its way."""

from __future__ import annotations

import gc
from collections.abc import Iterator

import pytest

import vision.examine
from app.web.server.warm import warm_up


@pytest.fixture(autouse=True)
def thaw() -> Iterator[None]:
    yield
    gc.unfreeze()


def test_the_eye_looks_once_at_an_empty_table(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = []
    true = vision.examine.examine

    def looked(photo: object, **said: object) -> object:
        seen.append(true(photo, **said))  # type: ignore[arg-type]
        return seen[-1]

    monkeypatch.setattr(vision.examine, "examine", looked)
    thread = warm_up()
    assert not thread.daemon  # an interpreter that ends under it aborts
    thread.join(60)
    assert len(seen) == 1
    assert seen[0].pieces == ()
    assert gc.get_freeze_count() > 0


def test_what_goes_wrong_waits_for_the_first_photo(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("no eye")

    monkeypatch.setattr(vision.examine, "examine", broken)
    thread = warm_up()
    thread.join(60)
    assert not thread.is_alive()


def test_what_was_loaded_is_no_garbage_to_look_through() -> None:
    # Streamlit calls gc.collect(2) after each run of a page's script.
    gc.unfreeze()
    warm_up().join()
    assert gc.get_freeze_count() > 9 * len(gc.get_objects(generation=2))
