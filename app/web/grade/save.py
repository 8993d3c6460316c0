"""Keep a graded photo in the records."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from app.grading import Result
from app.records import new_pieces_of
from app.web.desk.inbox import path_of
from app.web.desk.state import Visit, inbox_folder
from app.web.grade.answers import Answer, is_readable
from app.web.pressing import press, typed
from app.web.store import records


def save_part(told: Answer, here: Visit) -> None:
    """Show what saving takes, and save."""
    if not is_readable(told) or not told.result.pieces:
        return
    key = _key(told)
    ids = here.saved.get(key)
    if ids:
        st.success(
            "Saved to the records." if len(ids) == 1 else f"{len(ids)} pieces saved.",
            icon=":material/check:",
        )
        return
    count = len(told.result.pieces)
    with st.container(key="save"):
        name = f"name-{told.kept.sha256[:12]}"
        st.text_input(
            "Name it, if you like", max_chars=120, placeholder="tube from the cellar", key=name
        )
        word = "Save to the records" if count == 1 else f"Save {count} pieces to the records"

        def keep() -> None:
            if key not in here.saved:  # a second press while the first is at work
                here.saved[key] = save(told, name=typed(name) or "")

        button = f"save-{told.kept.sha256[:12]}"
        press(word, keep, key=button, type="primary", width="stretch")


def save(told: Answer, *, name: str = "") -> list[str]:
    """Save the pieces of an answer with their photo, and return their ids.

    Raises:
        RecordsError: They could not be saved; nothing was.
        PhotoError: The photo is gone meanwhile.
    """
    pieces = new_pieces_of(_with_pixels(told), told.request.sheet)
    if name.strip():
        numbers = [f" ({n})" for n in range(1, len(pieces) + 1)] if len(pieces) > 1 else [""]
        pieces = tuple(
            replace(piece, name=name.strip() + number)
            for piece, number in zip(pieces, numbers, strict=True)
        )
    return [saved.id for saved in records().save_pieces(pieces)]


def _with_pixels(told: Answer) -> Result:
    """Return the result with its photo as it was read."""
    from vision.photo.loading import load_photo_file

    examination = told.result.examination
    assert examination is not None
    photo = load_photo_file(path_of(told.kept, folder=inbox_folder()))
    whole = replace(examination.photo, rgb=photo.rgb)
    return replace(told.result, examination=replace(examination, photo=whole))


def _key(told: Answer) -> str:
    """Return what makes this answer another one to save."""
    return f"{told.kept.sha256}|{told.request.sheet.name}|{told.request.form}|{told.taps}"
