"""More photos of a recorded piece: the interval shrinks; before and after cleaning."""

from __future__ import annotations

import streamlit as st

from app.how import TAPPED, fix_with
from app.records import NewPhoto, PhotoRole, PieceRecord, RecordsError, place_of
from app.web.desk.inbox import Kept, path_of
from app.web.desk.state import Visit, inbox_folder
from app.web.desk.stated import request_of
from app.web.desk.taking import TYPES, take_upload
from app.web.grade import verdict
from app.web.grade.answers import Answer, answer, is_readable
from app.web.opinion.pooling import change_of, pooled_with, steps_of
from app.web.picture import show_picture
from app.web.plain import plain
from app.web.pressing import press
from app.web.server.settings import MAX_UPLOAD_MB
from app.web.store import records
from rules.engine import grade
from rules.sheet import RuleSheet

AS_IT_IS, CLEANED = "As it was", "After cleaning"


def show_photos(record: PieceRecord, sheet: RuleSheet, here: Visit) -> None:
    """Show what more photos gave, and take in another one."""
    _told(record)
    with st.expander(
        "Add a photo of the same piece", key=f"photos-{record.id}", icon=":material/add_a_photo:"
    ):
        role = st.segmented_control(
            "It shows the piece",
            [AS_IT_IS, CLEANED],
            default=AS_IT_IS,
            required=True,
            key=f"role-{record.id}",
        )
        st.caption(
            "Turn the piece and take it anew, from another side of the light: then its errors are "
            "its own, and all photos together know more than one."
        )
        uploader = f"{_at_hand(record)}-{here.rounds}"
        st.file_uploader(
            "Take or choose one photo",
            type=TYPES,
            key=uploader,
            on_change=_take_upload,
            args=(here, record, uploader),
            max_upload_size=MAX_UPLOAD_MB,
        )
        for fault in here.faults:
            st.error(fault)
        here.faults = []
        kept = here.seen.get(_at_hand(record))
        if not isinstance(kept, Kept):
            return
        with st.spinner("Measuring …"):
            told = answer(kept, request_of(here.stated), folder=inbox_folder())
        _add(told, record, sheet, here, is_cleaned=role == CLEANED)


def _at_hand(record: PieceRecord) -> str:
    """Return the key of the photo that may be added to a record."""
    return f"more-{record.id}"


def _take_upload(here: Visit, record: PieceRecord, uploader: str) -> None:
    kept = take_upload(here, uploader)
    if kept is not None:
        here.seen[_at_hand(record)] = kept


def _add(
    told: Answer, record: PieceRecord, sheet: RuleSheet, here: Visit, *, is_cleaned: bool
) -> None:
    pieces = told.result.pieces
    if not is_readable(told) or not pieces:
        for problem in told.result.problems:
            fix = fix_with(problem, TAPPED)
            st.warning(f"**{plain(verdict.as_line(problem.text))}** {plain(fix)}")
        return
    number = 0
    if len(pieces) > 1:
        number = (
            st.segmented_control(
                "Which piece on it is the same one?",
                list(range(len(pieces))),
                default=0,
                required=True,
                wrap=True,
                format_func=lambda i: f"Piece {i + 1}",
                key=f"same-{told.kept.sha256[:12]}",
            )
            or 0
        )
    picture = told.pictures[number + 1].result()
    show_picture(picture.jpeg, alt=picture.alt, width=320)

    def add() -> None:
        add_photo(told, number, record, sheet, is_cleaned=is_cleaned)
        here.seen.pop(_at_hand(record), None)

    press("Add this photo", add, key=f"add-{told.kept.sha256[:12]}-{number}", type="primary")


def add_photo(
    told: Answer, number: int, record: PieceRecord, sheet: RuleSheet, *, is_cleaned: bool
) -> PieceRecord:
    """Add one piece of a graded photo to a record; what it was is then graded anew.

    A photo from after cleaning stands for itself and changes nothing of the record.

    Raises:
        CuproscopeError: The photo is gone, or the record is.
    """
    from vision.photo.loading import load_photo_file

    piece = told.result.pieces[number]
    examination = told.result.examination
    assert piece.reading is not None
    assert examination is not None
    reference = examination.scale.reference if examination.scale is not None else None
    photo = NewPhoto(
        rgb=load_photo_file(path_of(told.kept, folder=inbox_folder())).rgb,
        name=told.kept.name,
        role=PhotoRole.AFTER if is_cleaned else PhotoRole.PLAIN,
        place=place_of(piece.reading),
        findings=piece.findings,
        reference=reference,
    )
    if is_cleaned:
        return records().add_photo(record.id, photo)
    together = pooled_with(record, piece.findings, reference=reference).findings
    return records().add_photo(
        record.id, photo, findings=together, grading=grade(together, sheet), sheet=sheet
    )


def _told(record: PieceRecord) -> None:
    steps = steps_of(record)
    if len(steps) > 1:
        first, last = steps[0].level, steps[-1].level
        gain = (1 - (last.high95 - last.low95) / max(1e-9, first.high95 - first.low95)) * 100
        st.markdown(
            f"**{steps[-1].photos} photos together**: from {first.low95:.2f} to "
            f"{first.high95:.2f} with one, from {last.low95:.2f} to {last.high95:.2f} with all"
            + (f"; {gain:.0f} % narrower." if gain >= 1 else ".")
            + " What all photos share, such as the light, does not shrink."
        )
        if pooled_with(record).disagreeing:
            st.warning(
                "The photos contradict each other. Is it the same piece on all of them?",
                icon=":material/warning:",
            )
    change = change_of(record)
    if change is not None:
        st.subheader("Before and after cleaning")
        _pairs(record)
        st.markdown(f"**{change.words()}**")


def _pairs(record: PieceRecord) -> None:
    before = next(p for p in record.photos if p.role is not PhotoRole.AFTER)
    after = [p for p in record.photos if p.role is PhotoRole.AFTER][-1]
    for column, photo, word in zip(
        st.columns(2), (before, after), ("before", "after"), strict=True
    ):
        with column:
            try:
                data = records().thumbnail(photo.sha256, longest_px=700)
            except RecordsError as fault:
                st.caption(plain(fault.message))
            else:
                show_picture(data, alt=f"The piece {word} cleaning", caption=word)
