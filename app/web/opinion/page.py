"""The page for pieces that stand between two grades: your call, ours, and the buyer's."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from functools import partial

import streamlit as st

from app.load.buyers import USUAL_CURRENCY
from app.load.store import LoadStore
from app.records import NoSuchRecordError, PieceRecord, RecordsError
from app.web.desk.state import Visit, visit
from app.web.grade import verdict
from app.web.navigation import go
from app.web.opinion.comparing import agreement, blind_call, borderline_first
from app.web.opinion.more_photos import show_photos
from app.web.opinion.pooling import level_of
from app.web.opinion.tarnish import show_tarnish
from app.web.picture import show_picture
from app.web.plain import plain
from app.web.pressing import press, submit, typed, words_of
from app.web.records.view import (
    as_piece,
    marked_photo,
    name_of,
    sheet_of,
    show_pair,
    title_of,
    told_grade,
    when,
)
from app.web.store import records
from app.words import confidence_words
from rules.cautions import cautions
from rules.errors import CuproscopeError
from rules.sheet import RuleSheet

CHOSEN = "opinion"
"""Key of the record that is looked at."""

SHOWN_WITHOUT_CALL = "opinion-shown"
MOST_CHOICES = 60


def show() -> None:
    """Show the page."""
    here = visit()
    st.title("Second opinion")
    try:
        record = _choose(here)
        if record is not None:
            _piece(record, here)
    except NoSuchRecordError:
        here.seen.pop(CHOSEN, None)
        st.info("That record was deleted in another window.")
    except RecordsError as fault:
        st.error(words_of(fault))


def _choose(here: Visit) -> PieceRecord | None:
    known = borderline_first(records().pieces(limit=MOST_CHOICES))
    if not known:
        st.markdown(
            "For tarnish that could be paid either way: you say first what you think, then the "
            "photo's reading stands beside it, and what your buyer made of such pieces before."
        )
        st.info("Save a graded piece first; it can then be looked at here.")
        if st.button("Grade a piece", type="primary"):
            go("Grade a piece")
        return None
    ids = [record.id for record in known]
    chosen = here.seen.get(CHOSEN)
    if isinstance(chosen, str) and chosen not in ids:
        known.insert(0, records().piece(chosen))
        ids.insert(0, chosen)
    names = {r.id: f"{'? ' if r.grading.borderline else ''}{name_of(r)}, {when(r)}" for r in known}
    picked = st.selectbox(
        "Which piece?",
        ids,
        index=ids.index(chosen) if chosen in ids else 0,
        format_func=names.__getitem__,
        key=f"which-{chosen}-{len(ids)}",
        help="Pieces marked ? are borderline.",
    )
    if picked != chosen:
        here.seen[CHOSEN] = picked
    return known[ids.index(picked)]


def _piece(record: PieceRecord, here: Visit) -> None:
    sheet = sheet_of(record.sheet)
    call = blind_call(record)
    is_shown = call is not None or record.id in _shown_without_call(here)
    picture, words = st.columns([6, 5], gap="large")
    with picture:
        if record.photos:
            try:
                data = marked_photo(record.id, record.photos[0].id)
            except CuproscopeError as fault:
                st.warning(plain(fault.message))
            else:
                show_picture(data, alt=f"Photo of {name_of(record)}, outlined")
        show_pair(record, read=is_shown)
    with words:
        if not is_shown:
            _ask_blind(record, sheet, here)
            return
        _side_by_side(record, sheet)
    show_tarnish(record, sheet, call)
    show_photos(record, sheet, here)
    st.html(verdict.cautions(cautions(record.findings, record.grading)))
    _nearest(record)
    _outcome(record, sheet)


def _shown_without_call(here: Visit) -> set[str]:
    found = here.seen.setdefault(SHOWN_WITHOUT_CALL, set())
    assert isinstance(found, set)
    return found


def _ask_blind(record: PieceRecord, sheet: RuleSheet, here: Visit) -> None:
    st.subheader("What do you say?")
    st.markdown("Before you see the photo's reading: it can't sway you yet.")
    st.pills(
        "Your grade",
        list(sheet.grade_ids),
        format_func=sheet.title_of,
        default=None,
        wrap=True,
        key=f"call-{record.id}",
    )
    if st.toggle("I say how tarnished it is, too", key=f"says-{record.id}"):
        words = "Tarnish: 0 fresh, 0.5 dull penny, 1 black"
        st.slider(words, 0.0, 1.0, 0.3, 0.05, key=f"level-{record.id}")
    st.text_input("Your name", key="who", persist_state="session", max_chars=60)
    press(
        "That is my call",
        partial(_keep_call, record.id),
        key=f"my-call-{record.id}",
        type="primary",
        disabled=typed(f"call-{record.id}") is None,
        width="stretch",
    )
    shown = partial(_shown_without_call(here).add, record.id)
    press("Show the reading without a call", shown, key=f"no-call-{record.id}", type="tertiary")


def _keep_call(piece_id: str) -> None:
    records().record_own_call(
        piece_id,
        grade=typed(f"call-{piece_id}"),
        blind=True,
        who=typed("who"),
        tarnish_level=typed(f"level-{piece_id}") if typed(f"says-{piece_id}") else None,
    )


def _side_by_side(record: PieceRecord, sheet: RuleSheet) -> None:
    mine, ours = st.columns(2)
    call = blind_call(record)
    with mine:
        st.caption("You")
        st.subheader(title_of(call.grade, sheet) if call is not None else "no call")
    with ours:
        st.caption("The photo")
        st.subheader(plain(told_grade(record, sheet)))
        st.markdown(plain(confidence_words(record.grading)))
    if call is not None:
        suggested, borderline = record.grading.suggested, record.grading.borderline
        st.markdown(f"**{agreement(call, suggested, borderline=borderline)}**")
    if set(record.grading.p) <= set(sheet.grade_ids):
        piece = as_piece(record)
        if record.grading.settle:
            st.info(plain(verdict.as_line(record.grading.settle)), icon=":material/help:")
        st.html(verdict.why(piece, sheet))


def _nearest(record: PieceRecord) -> None:
    level = level_of(record.findings)
    if level is None:
        return
    near = [r for r in records().nearest_confirmed(level.value, most=4) if r.id != record.id][:3]
    st.subheader("Nearest confirmed pieces")
    if not near:
        st.caption(
            "None yet. Confirm a piece in the records, and pieces of a like tarnish are "
            "compared with it here."
        )
        return
    for column, other in zip(st.columns(3), near, strict=False):
        with column:
            if other.photos:
                try:
                    data = records().thumbnail(other.photos[0].sha256)
                except RecordsError:
                    st.caption("photo lost")
                else:
                    show_picture(data, alt=f"Photo of {name_of(other)}")
            own = level_of(other.findings)
            sheet = sheet_of(other.sheet)
            st.markdown(
                f"**{plain(title_of(other.true_grade, sheet))}**  \n{plain(name_of(other))}"
                + (f"  \ntarnish {own.value:.2f}" if own is not None else "")
            )


def _outcome(record: PieceRecord, sheet: RuleSheet) -> None:
    st.subheader("What did the buyer say?")
    for told in record.outcomes:
        taken = title_of(told.grade, sheet) if told.grade else "paid"
        money = f", {told.paid} {told.currency}" if told.paid is not None else ""
        with st.container(horizontal=True, vertical_alignment="center"):
            st.markdown(f"✓ {plain(told.buyer_name)}: **{plain(taken)}**{plain(money)}")
            take_back = partial(records().remove_outcome, told.id)
            press("Take it back", take_back, key=f"take-back-{told.id}", type="tertiary")
    names = [buyer.name for buyer in records().buyers()]
    key = f"outcome-{record.id}-{len(record.outcomes)}"
    with st.form(key, border=True):
        st.selectbox(
            "Buyer",
            names,
            index=0 if names else None,
            accept_new_options=True,
            placeholder="Type a name",
            key=f"buyer-{key}",
        )
        grades = list(sheet.grade_ids)
        st.pills("Taken as", grades, format_func=sheet.title_of, key=f"grade-{key}")
        left, right = st.columns(2)
        paid = "Paid for it, if known"
        left.text_input(paid, max_chars=20, placeholder="12.40", key=f"paid-{key}")
        right.text_input("Currency", _usual_currency(), max_chars=3, key=f"currency-{key}")
        st.text_input("Note", max_chars=200, key=f"note-{key}")
        keep = partial(_keep_outcome, record.id, key)
        submit("Keep this", keep, key=f"keep-{key}", type="primary", width="stretch")


def _usual_currency() -> str:
    """Return what the buyers of the load pay in, so that it need not be typed anew."""
    buyers = LoadStore(records()).buyers()
    return buyers[0].currency if buyers else USUAL_CURRENCY


def _keep_outcome(piece_id: str, key: str) -> None:
    buyer, paid = typed(f"buyer-{key}"), typed(f"paid-{key}").strip()
    if not buyer or not buyer.strip():
        raise RecordsError("say which buyer")
    try:
        money = Decimal(paid.replace(",", ".")) if paid else None
    except InvalidOperation:
        raise RecordsError("write the money as a number, like 12.40") from None
    records().record_outcome(
        piece_id,
        buyer_id=records().add_buyer(buyer).id,
        grade=typed(f"grade-{key}"),
        paid=money,
        currency=typed(f"currency-{key}").strip().upper() if money is not None else None,
        note=typed(f"note-{key}"),
    )
