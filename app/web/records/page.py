"""The page of everything that was saved: find, look at, hand out, take in, delete."""

from __future__ import annotations

import io
import shutil
from collections import Counter
from collections.abc import Iterable
from functools import partial
from pathlib import Path

import streamlit as st

from app.records import CONFIRMED, NoSuchRecordError, PieceRecord, RecordsError
from app.records.archive import export_zip, import_zip
from app.records.database import default_folder
from app.records.spreadsheet import export_csv
from app.web.desk.inbox import empty
from app.web.desk.state import Visit, inbox_folder, visit
from app.web.desk.uploads import let_go, still_held
from app.web.grade import verdict
from app.web.grade.answers import forget_answers
from app.web.navigation import go
from app.web.picture import show_picture
from app.web.plain import plain
from app.web.pressing import press, typed, words_of
from app.web.records.rebuild import offer_rebuild
from app.web.records.view import (
    SIGN_CONFIRMED,
    as_piece,
    marked_photo,
    name_of,
    sheet_of,
    title_of,
    told_grade,
    when,
)
from app.web.server.settings import MAX_UPLOAD_MB
from app.web.store import records
from app.web.thumbs import small_photo
from app.words import confidence_words
from rules.cautions import cautions
from rules.errors import CuproscopeError
from rules.sentences import with_units_kept

A_PAGE = 10
OPEN = "record"
"""Key of the record that is looked at."""

ROLES = {"after": "after cleaning", "flash": "with the flash"}
"""What a photo shows, told beneath it."""


def show() -> None:
    """Show the page."""
    here = visit()
    st.title("Records")
    try:
        opened = here.seen.get(OPEN)
        if isinstance(opened, str):
            _one(opened, here)
        else:
            _all(here)
    except NoSuchRecordError:
        here.seen.pop(OPEN, None)
        st.info("That record was deleted in another window.")
        st.button("Back to all records", key="gone")
    except RecordsError as fault:
        st.error(words_of(fault))


# ------------------------------------------------------------------------ all of them


def _all(here: Visit) -> None:
    store = records()
    offer_rebuild(store)
    if not store.count():
        st.info("Nothing is saved yet. Grade a piece and save it; it then stands here.")
        _take_in()
        return
    text = st.text_input(
        "Find", placeholder="name or note", key="find", persist_state="session", max_chars=80
    )
    only = st.pills(
        "Show",
        ["All", SIGN_CONFIRMED, "? borderline", "without outcome"],
        default="All",
        required=True,
        key="only",
        persist_state="session",
    )
    found = store.pieces(containing=text or None, tag=CONFIRMED if only == SIGN_CONFIRMED else None)
    if only == "? borderline":
        found = tuple(piece for piece in found if piece.grading.borderline)
    elif only == "without outcome":
        found = tuple(piece for piece in found if not piece.outcomes)
    pages = max(1, -(-len(found) // A_PAGE))
    page = min(int(st.session_state.get("records-page", 0)), pages - 1)
    st.caption(
        f"{len(found)} of {store.count()} pieces"
        + (f", newest first, page {page + 1} of {pages}" if pages > 1 else ", newest first")
    )
    shown = found[page * A_PAGE : (page + 1) * A_PAGE]
    several = shared_photos(shown)
    for record in shown:
        _row(record, here, several)
    if pages > 1:
        with st.container(horizontal=True):
            newer, older = partial(_turn_to, page - 1), partial(_turn_to, page + 1)
            icon = ":material/arrow_back:"
            press("Newer", newer, key="newer", disabled=page == 0, icon=icon)
            icon = ":material/arrow_forward:"
            press("Older", older, key="older", disabled=page >= pages - 1, icon=icon)
    st.divider()
    _hand_out()
    _take_in()
    _delete_all()


def _turn_to(page: int) -> None:
    st.session_state["records-page"] = page


def shared_photos(shown: Iterable[PieceRecord]) -> frozenset[str]:
    """Return the photos that several of the pieces lie on: there each is shown from near."""
    counted = Counter(record.photos[0].sha256 for record in shown if record.photos)
    return frozenset(photo for photo, count in counted.items() if count > 1)


def _row(record: PieceRecord, here: Visit, several: frozenset[str]) -> None:
    sheet = sheet_of(record.sheet)
    row = f"row-{record.id}"
    with st.container(border=True, horizontal=True, vertical_alignment="center", key=row):
        with st.container(width=80):
            if record.photos:
                _thumb(record, from_near=record.photos[0].sha256 in several)
        with st.container(width="stretch"):
            grade = told_grade(record, sheet)
            signs = [plain(with_units_kept(confidence_words(record.grading)))]
            signs += [SIGN_CONFIRMED] if record.is_confirmed else []
            paid = [o for o in record.outcomes if o.grade is not None]
            signs += [f"paid as {plain(title_of(paid[-1].grade, sheet))}"] if paid else []
            st.markdown(
                f"**{plain(name_of(record))}**  \n{plain(grade)} · {' · '.join(signs)}  \n"
                f":small[{plain(when(record))}]"
            )
        press("Open", partial(_look_at, here, record.id), key=f"open-{record.id}")


def _look_at(here: Visit, piece_id: str | None) -> None:
    here.seen[OPEN] = piece_id


def _thumb(record: PieceRecord, *, from_near: bool) -> None:
    near = small_photo(record.photos[0].sha256, record.id) if from_near else None
    if near is not None:
        show_picture(near, alt=f"{name_of(record)}, cut out of its photo")
        return
    try:
        data = records().thumbnail(record.photos[0].sha256, longest_px=220)
    except RecordsError:
        st.caption("photo lost")
    else:
        show_picture(data, alt=f"Photo of {name_of(record)}")


def _hand_out() -> None:
    with st.expander("Export", icon=":material/download:"):
        st.markdown(
            "**Everything in one file**: pieces, calls, outcomes (as JSON) and photos; another "
            "machine can take it in whole. **Table**: for a spreadsheet, one line a piece."
        )
        folder = default_folder() / "export"
        packed, table = folder / "records.zip", folder / "records.csv"
        if st.button("Prepare the files", key="prepare"):
            with st.spinner("Packing …"):
                told = export_zip(records(), packed)
                export_csv(records(), table)
            st.session_state["prepared"] = f"{told.pieces} pieces and {told.photos} photos."
            if told.lost_photos:
                st.warning(
                    f"{len(told.lost_photos)} photos were lost or changed on disk; the rest is "
                    "whole."
                )
        prepared = st.session_state.get("prepared")
        if prepared and packed.is_file() and table.is_file():
            st.success(prepared)
            # Read only when asked for: a page must not hold all photos in memory.
            st.download_button(
                "Save everything (ZIP with JSON)",
                packed.read_bytes,
                "cuproscope-records.zip",
                "application/zip",
                key="zip",
                on_click="ignore",
            )
            st.download_button(
                "Save the table (CSV)",
                table.read_bytes,
                "cuproscope-records.csv",
                "text/csv",
                key="csv",
                on_click="ignore",
            )


def _take_in() -> None:
    with st.expander("Import", icon=":material/upload:"):
        folder = default_folder() / "import"
        st.markdown(
            f"A file that was exported here or on another machine, up to {MAX_UPLOAD_MB} MB; a "
            f"larger one goes into the folder `{folder}` and is then listed here."
        )
        here = visit()
        key = f"import-{here.rounds}"
        st.file_uploader(
            "Exported file",
            type=["zip"],
            key=key,
            max_upload_size=MAX_UPLOAD_MB,
        )
        large = sorted(folder.glob("*.zip")) if folder.is_dir() else []
        chosen = (
            st.selectbox(
                "Or a file from that folder", [None, *large], format_func=_file_name, key="large"
            )
            if large
            else None
        )
        held = still_held(key)
        if (chosen or held) and st.button("Take it in", type="primary"):
            source = chosen or io.BytesIO(held[0].getvalue())
            try:
                with st.spinner("Reading …"):
                    told = import_zip(records(), source)
            except RecordsError as fault:
                st.error(words_of(fault))
            else:
                let_go(held)
                here.rounds += 1
                st.success(
                    f"{told.added} pieces new, {told.updated} renewed, {told.unchanged} were "
                    f"here already; {told.photos} photos."
                )


def _file_name(path: Path | None) -> str:
    return "none" if path is None else path.name


def _delete_all() -> None:
    with st.expander("Delete everything", icon=":material/delete:"):
        st.markdown(
            "All pieces, photos, calls, outcomes, buyers and loads, and the photos that wait to be "
            "graded. Export first what you need."
        )
        sure = st.text_input("Type DELETE to go on", key=f"sure-{visit().rounds}", max_chars=12)
        press(
            "Delete everything now",
            _delete_everything,
            key="delete-all",
            disabled=sure.strip() != "DELETE",
        )


def _delete_everything() -> None:
    records().delete_everything()
    shutil.rmtree(default_folder() / "export", ignore_errors=True)
    empty(inbox_folder())
    forget_answers()
    st.cache_data.clear()  # small pictures of photos
    st.session_state.pop("prepared", None)
    visit().lay_all_aside()


# ------------------------------------------------------------------------- one of them


def _one(piece_id: str, here: Visit) -> None:
    store = records()
    record = store.piece(piece_id)
    sheet = sheet_of(record.sheet)
    with st.container(horizontal=True):
        icon = ":material/arrow_back:"
        press("All records", partial(_look_at, here, None), key="back", icon=icon)
        if st.button("Second opinion", icon=":material/balance:", key="to-opinion"):
            here.seen["opinion"] = record.id
            go("Second opinion")
    st.subheader(plain(name_of(record)))
    st.caption(f"{plain(when(record))} · {plain(record.sheet.title)}")
    left, right = st.columns([5, 6], gap="large")
    with left:
        if set(record.grading.p) <= set(sheet.grade_ids):
            piece = as_piece(record)
            st.html(verdict.verdict(piece, sheet))
            st.html(verdict.why(piece, sheet))
            st.html(verdict.seen(piece))
        else:
            st.markdown(f"**{plain(str(record.grading.suggested))}** by a sheet that is not here.")
    with right:
        for photo in record.photos:
            try:
                picture = marked_photo(record.id, photo.id)
            except CuproscopeError as fault:
                st.warning(plain(fault.message))
            else:
                role = ROLES.get(photo.role, "")
                show_picture(
                    picture,
                    alt=f"{name_of(record)}, {role or 'as saved'}, with its outline",
                    caption=role or None,
                    width="stretch",
                )
    st.html(verdict.cautions(cautions(record.findings, record.grading)))
    _history(record)
    _change(record, here)


def _history(record: PieceRecord) -> None:
    sheet = sheet_of(record.sheet)
    lines = [
        f"{call.called_utc.astimezone():%d %b}: {call.who or 'somebody'} called it "
        f"{title_of(call.grade, sheet)}{' (blind)' if call.blind else ''}"
        for call in record.own_calls
    ]
    for outcome in record.outcomes:
        money = f", {outcome.paid} {outcome.currency}" if outcome.paid is not None else ""
        grade = title_of(outcome.grade, sheet) if outcome.grade else "paid"
        note = f" ({outcome.note})" if outcome.note else ""
        lines.append(
            f"{outcome.told_utc.astimezone():%d %b}: {outcome.buyer_name}: {grade}{money}{note}"
        )
    if lines:
        st.markdown("**What was said of it**\n\n" + "\n".join(f"* {plain(t)}" for t in lines))


def _change(record: PieceRecord, here: Visit) -> None:
    asked = f"ask-{record.id}"
    with st.expander(
        "Name, notes, confirm, delete", key=f"change-{record.id}", icon=":material/edit:"
    ):
        st.text_input("Name", record.name, key=f"rename-{record.id}", max_chars=120)
        st.text_area("Notes", record.notes, key=f"notes-{record.id}", max_chars=2000)
        st.toggle(
            "I vouch for this grade (it is compared with and practised on)",
            record.is_confirmed,
            key=f"confirm-{record.id}",
        )
        press("Keep these changes", partial(_keep, record.id), key=f"keep-{record.id}")
        st.divider()
        if not here.seen.get(asked):
            ask = partial(here.seen.__setitem__, asked, True)
            icon = ":material/delete:"
            press("Delete this piece", ask, key=f"delete-{record.id}", icon=icon)
            return
        st.warning("The piece, its photos, calls and outcomes go for good.")
        with st.container(horizontal=True):
            delete = partial(_delete, here, record.id)
            press("Yes, delete it", delete, key=f"yes-{record.id}", type="primary")
            press("No, keep it", partial(here.seen.pop, asked, None), key=f"no-{record.id}")


def _keep(piece_id: str) -> None:
    store = records()
    store.rename(piece_id, typed(f"rename-{piece_id}"))
    store.set_notes(piece_id, typed(f"notes-{piece_id}"))
    change = store.add_tag if typed(f"confirm-{piece_id}") else store.remove_tag
    change(piece_id, CONFIRMED)


def _delete(here: Visit, piece_id: str) -> None:
    records().delete_piece(piece_id)
    here.seen.pop(f"ask-{piece_id}", None)
    here.seen.pop(OPEN, None)
    here.saved.clear()
