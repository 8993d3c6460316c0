"""Settle it with the flash: where a coat can't be told, a second photo of the same piece."""

from __future__ import annotations

from functools import partial

import streamlit as st

from app.grading import GradedPiece
from app.web.desk.state import Visit
from app.web.desk.taking import TYPES, take_upload
from app.web.grade.answers import Answer
from app.web.grade.flash_help import ALT, flash_help
from app.web.grade.verdict import as_line
from app.web.picture import show_picture
from app.web.plain import plain
from app.web.pressing import press
from app.web.server.settings import MAX_UPLOAD_MB
from app.words import NONE_P
from rules.findings import What
from vision.flash.recognise import LIT_P

ASKED_BY = ("coated_share", "enamel")
"""What the flash can settle, as the rules name it: of tin and solder it tells nothing."""

PAIR_WIDTH = 680
"""On a wide screen; a phone shows it from edge to edge."""


def settles(piece: GradedPiece) -> bool:
    """Whether a second photo with the flash may settle what is in doubt on a piece."""
    if piece.grading.settle is None or piece.grading.guess:
        return False
    in_doubt = NONE_P <= piece.findings.p_of(What.COATING) <= 1 - NONE_P
    return in_doubt or piece.grading.deciding in ASKED_BY


def flash_part(told: Answer, chosen: int, here: Visit) -> None:
    """Show one piece in both photos of a pair, or offer to take the second one."""
    examination = told.result.examination
    if examination is None:
        return
    if told.flash is not None:
        _both(told, chosen, here)
    elif examination.flash_p < LIT_P and settles(told.result.pieces[chosen]):
        with st.expander(
            "Settle it with the flash", key="flash", icon=":material/flash_on:", expanded=True
        ):
            _offer(told, here)


def _offer(told: Answer, here: Visit) -> None:
    st.markdown(
        "Clear enamel and bare metal look alike in one photo. By the flash a coat shines white "
        "as the lamp, bare copper in its own colour. Leave all as it lies, make the room as dark "
        "as you can, and take a second photo:"
    )
    show_picture(flash_help(), alt=ALT, width=600)
    key = f"flash-{told.kept.sha256[:12]}-{here.rounds}"
    st.file_uploader(
        "Photo with the flash on",
        type=TYPES,
        key=key,
        on_change=_take,
        args=(here, told.kept.sha256, key),
        max_upload_size=MAX_UPLOAD_MB,
        help="The pull downwards keeps the bright spot from burning out. Don't look into the "
        "flash from near.",
    )


def _take(here: Visit, plain_sha256: str, key: str) -> None:
    kept = take_upload(here, key)
    if kept is not None:
        here.flash[plain_sha256] = kept


def _both(told: Answer, chosen: int, here: Visit) -> None:
    assert told.flash is not None
    picture = told.pairs[chosen] if told.pairs else None
    st.subheader("With the flash")
    if picture is not None:
        shown = picture.result()
        show_picture(shown.jpeg, alt=shown.alt, width=PAIR_WIDTH)
        st.markdown(plain(as_line(shown.label)))
    name, aside = plain(told.flash.name), partial(here.flash.pop, told.kept.sha256, None)
    with st.container(horizontal=True, vertical_alignment="center"):
        st.caption(f"Second photo: {name}", width="stretch")
        press("Lay it aside", aside, key=f"no-flash-{told.kept.sha256[:12]}")
