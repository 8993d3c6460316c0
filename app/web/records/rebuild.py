"""Photos whose records were lost: graded anew and kept, one by one."""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st

from app.grading import grade_photo
from app.records import Records, new_pieces_of
from app.request import Request
from rules.sheet import load_sheet


@dataclass(slots=True, kw_only=True)
class Rebuilt:
    """What became of the photos: pieces kept, and photos on which none was found."""

    pieces: int = 0
    without: int = 0


def offer_rebuild(store: Records) -> None:
    """Offer to grade photos anew that belong to no record; nothing where there are none."""
    count = len(store.photos.laid_aside())
    if not count:
        return
    with st.expander(f"Photos without a record: {count}", icon=":material/healing:"):
        st.markdown(
            f"Their records were lost; the photos lie in `{store.photos.aside}`. Import your last "
            "export first: what it knows finds its photos again. The rest can be graded anew, "
            "without names, notes and outcomes."
        )
        if st.button("Grade them anew and keep them", key="rebuild"):
            with st.spinner("Grading …", show_time=True):
                told = rebuild(store)
            st.success(f"{told.pieces} pieces are in the records again.")
            if told.without:
                st.info(f"On {told.without} photos no piece was found; they stay where they are.")


def rebuild(store: Records) -> Rebuilt:
    """Record the pieces on all photos that belong to no record, by the house sheet.

    Stopped half-way it goes on with the rest: a photo leaves when its pieces are kept.
    """
    request, told = Request(sheet=load_sheet("house")), Rebuilt()
    for path in store.photos.laid_aside():
        result = grade_photo(path, request)
        if not result.pieces:
            told.without += 1
            continue
        told.pieces += len(store.save_pieces(new_pieces_of(result, request.sheet)))
        path.unlink(missing_ok=True)
    return told
