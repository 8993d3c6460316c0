"""Keep a graded photo in the records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import streamlit as st

from app.grading import Result
from app.load.bins import Load
from app.load.pieces import piece_of_record
from app.load.sorting import put_in
from app.load.store import DEFAULT_LOAD, LoadStore
from app.load.terms import title_of
from app.records import new_pieces_of
from app.web.desk.state import LOAD_KEY, Visit, inbox_folder
from app.web.grade.answers import Answer, is_readable, load_kept
from app.web.plain import plain
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
        loaded = here.seen.get(f"loaded-{key}")
        if isinstance(loaded, str):
            st.success(plain(loaded), icon=":material/scale:")
        else:
            load = partial(_load, here, key)
            press("Into the load", load, key=f"load-{told.kept.sha256[:12]}")
        return
    count = len(told.result.pieces)
    with st.container(key="save"):
        name = f"name-{told.kept.sha256[:12]}"
        call, such = ("it", "tube from the cellar") if count == 1 else ("them", "from the cellar")
        st.text_input(f"Name {call}, if you like", max_chars=120, placeholder=such, key=name)
        word = "Save to the records" if count == 1 else f"Save all {count} to the records"

        def keep() -> None:
            if key not in here.saved:  # a second press while the first is at work
                here.saved[key] = save(told, name=typed(name) or "")

        button = f"save-{told.kept.sha256[:12]}"
        press(word, keep, key=button, type="primary", width="stretch")

        def keep_and_load() -> None:
            keep()
            _load(here, key)

        both = "Save, and into the load" if count == 1 else f"Save all {count}, and into the load"
        press(both, keep_and_load, key=f"both-{told.kept.sha256[:12]}", width="stretch")


def _load(here: Visit, key: str) -> None:
    """Put the saved pieces of a photo into the load, and note where they went."""
    name = str(here.seen.get(LOAD_KEY, DEFAULT_LOAD))
    load = put_records(LoadStore(records()), name, here.saved[key])
    inside = set(here.saved[key])
    told = [
        f"{sum(piece.record in inside for piece in b.pieces)} in “{b.name}”"
        for b in load.bins
        if any(piece.record in inside for piece in b.pieces)
    ]
    which = "" if load.name == DEFAULT_LOAD else f" “{load.name}”"
    here.seen[f"loaded-{key}"] = f"In the load{which}: {', '.join(told)}."


def put_records(store: LoadStore, name: str, ids: Sequence[str]) -> Load:
    """Put recorded pieces into a load, each by its grade; those that are there stay."""
    found = [records().piece(piece_id) for piece_id in ids]

    def change(now: Load) -> Load:
        inside = {piece.record for piece in now.pieces}
        for record in found:
            if record.id not in inside:
                piece = piece_of_record(record, taken=now.taken)
                now = put_in(now, piece, called=title_of)
        return now

    return store.edit(name, change)


def save(told: Answer, *, name: str = "") -> list[str]:
    """Save the pieces of an answer with their photo, and return their ids.

    Raises:
        RecordsError: They could not be saved; nothing was.
        PhotoError: The photo is gone meanwhile.
    """
    pieces = new_pieces_of(_with_pixels(told), told.request.sheet)
    names = names_of(len(pieces), called=name.strip(), photo=told.kept.name)
    named = (replace(one, name=own) for one, own in zip(pieces, names, strict=True))
    return [saved.id for saved in records().save_pieces(tuple(named))]


def names_of(count: int, *, called: str, photo: str) -> list[str]:
    """Return the names of a photo's pieces; of several each has the number on the picture.

    >>> names_of(2, called="", photo="IMG_7.jpg")
    ['IMG_7 1', 'IMG_7 2']
    """
    if count == 1:
        return [called]
    return [f"{called or photo.rsplit('.', 1)[0]} {number}" for number in range(1, count + 1)]


def _with_pixels(told: Answer) -> Result:
    """Return the result with its photos as they were read."""
    examination = told.result.examination
    assert examination is not None
    folder = inbox_folder()
    whole = replace(examination.photo, rgb=load_kept(told.kept, folder).rgb)
    flash = examination.flash
    if flash is not None and told.flash is not None:
        flash = replace(flash, photo=replace(flash.photo, rgb=load_kept(told.flash, folder).rgb))
    return replace(told.result, examination=replace(examination, photo=whole, flash=flash))


def _key(told: Answer) -> str:
    """Return what makes this answer another one to save."""
    flash = told.flash.sha256 if told.flash is not None else ""
    return f"{told.kept.sha256}|{told.request.sheet.name}|{told.request.form}|{told.taps}|{flash}"
