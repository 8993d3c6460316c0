"""The page that grades a piece: photos in, what is known of it, the answer."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import partial

import streamlit as st

from app.grading import GradedPiece
from app.how import TAPPED, fix_with
from app.printed_sheet import printed_sheet_pdf
from app.records.own_rates import own_rates
from app.request import Request
from app.web.buyers import sheet_for
from app.web.desk.inbox import tidy
from app.web.desk.state import Visit, inbox_folder, visit
from app.web.desk.stated import count_said, request_of
from app.web.desk.taking import TYPES, take_file
from app.web.desk.uploads import let_go, still_held
from app.web.grade import verdict
from app.web.grade.answers import Answer, Picture, answer, is_readable
from app.web.grade.correct import correct
from app.web.grade.demo import demo_bytes, demos
from app.web.grade.save import save_part
from app.web.grade.stated_form import ask_source, ask_stated
from app.web.grade.which import NOTHING_THERE, has_left_out, show_which, tap_picture
from app.web.grade.with_flash import flash_part
from app.web.picture import show_picture
from app.web.plain import plain
from app.web.pressing import press, typed
from app.web.server.settings import MAX_UPLOAD_MB
from app.web.store import records
from app.web.thumbs import thumb
from models.loader import check
from rules.base_rates import BaseRates
from rules.errors import InstallError
from vision.types import Problem

MOST_PHOTOS = 20
WHOLE, NEAR = "Whole photo", "From near"
PAPERS = {"a4": "A4", "letter": "Letter"}


def show() -> None:
    """Show the page."""
    here = visit()
    st.title("Grade a piece")
    try:
        check()
    except InstallError as fault:
        st.error(
            f"{plain(verdict.as_line(str(fault)))} {plain(fault.fix)}", icon=":material/error:"
        )
        return
    _hand_in(here)
    if here.photo is None:
        _welcome(here)
        return
    _choose_photo(here)
    if here.photo is None:
        return
    here.stated = ask_source(here.stated)
    # Its title stays as it is: a part whose title changes is closed, after each answer.
    with st.expander("What lies beside it, what you know of it", key="stated"):
        buyers = {buyer.id: buyer.name for buyer in records().buyers()}
        here.stated = ask_stated(here.stated, buyers=buyers)
    said = count_said(here.stated)
    if said:
        st.caption(f"{said} of it said by you")
    rates = own_rates(records())
    request = replace(request_of(here.stated), rates=rates)
    _tell_shift(rates, request)
    if here.stated.buyer_id is not None:
        own = sheet_for(records(), here.stated.buyer_id, request.sheet)
        request = replace(request, sheet=own)
    kept = here.photo
    with st.spinner("Looking at the photo and measuring …", show_time=True):
        taps, flash = here.taps.get(kept.sha256), here.flash.get(kept.sha256)
        told = answer(kept, request, folder=inbox_folder(), taps=taps, flash=flash)
    _show_answer(told, here, request)
    correct(told, here)
    if len(told.result.pieces) == 1:
        save_part(told, here)


def _tell_shift(rates: BaseRates, request: Request) -> None:
    """Say where the shop's own pieces shift what is likely before anyone looks."""
    count = rates.confirmed.get(request.facts.source, 0)
    if count:
        own = "1 confirmed piece shifts" if count == 1 else f"{count} confirmed pieces shift"
        st.caption(f"Your {own} what the tool takes for likely before it looks.")


def _hand_in(here: Visit) -> None:
    key = f"uploads-{here.rounds}"
    st.file_uploader(
        "Take or choose photos of the piece",
        type=TYPES,
        accept_multiple_files=True,
        key=key,
        on_change=_take_uploads,  # before the page is made, so that it is made but once
        args=(here, key),
        max_upload_size=MAX_UPLOAD_MB,
        help="Lay a bank card, a coin or the printed sheet flat beside the piece and look "
        "straight down on it. Your phone offers its camera and its pictures.",
    )
    for fault in here.faults:
        st.error(fault, icon=":material/error:")
    here.faults = []


def _take_uploads(here: Visit, key: str) -> None:
    uploads = still_held(key)
    if uploads:
        _take_in(here, ((upload.getvalue(), upload.name) for upload in uploads))
        let_go(uploads)
        here.rounds += 1  # a fresh uploader no longer asks for them


def _take_in(here: Visit, files: Iterable[tuple[bytes, str]]) -> None:
    for data, name in files:
        kept = take_file(here, data, name)
        if kept is not None:
            here.put(kept)
    while len(here.photos) > MOST_PHOTOS:
        here.drop(here.photos[0])
        here.shown = len(here.photos) - 1
    tidy(inbox_folder())


def _welcome(here: Visit) -> None:
    st.markdown(
        "A photo from straight above, with a **bank card**, a **coin** or the printed sheet "
        "beside the piece, is all it takes. You get the grade, how sure it is, and why."
    )
    found = demos()
    if found:
        st.subheader("No photo at hand? Look at one of these")
        with st.container(horizontal=True, key="demos"):
            for demo in found:
                with st.container(width=164):
                    data = demo_bytes(demo)
                    show_picture(thumb(data), alt=demo.alt)
                    take = partial(_take_in, here, [(data, demo.file)])
                    press(demo.title, take, key=f"demo-{demo.file}", width="stretch")
    _sheet_to_print()
    with st.expander("Use this device's camera here (finish only)"):
        st.info(
            "Good for the finish only: these pictures are too small to measure thin wire. For "
            "the size, take the photo with the button above.",
            icon=":material/info:",
        )
        if st.toggle("Turn the camera on", key="camera-on"):
            shot = st.camera_input(
                "Picture for the finish", key=f"camera-{here.rounds}", resolution="1080p"
            )
            if shot is not None:
                _take_in(here, [(shot.getvalue(), "camera picture (finish only)")])
                let_go([shot])
                here.rounds += 1
                st.rerun()


def _sheet_to_print() -> None:
    with st.expander("No card at hand? Print the sheet"):
        st.markdown(
            "Print it at 100 % and lay one piece on it. Measure the bar at its foot once; if it is "
            "not 50 mm, say so under “What lies beside it”."
        )
        with st.container(horizontal=True):
            for paper, title in PAPERS.items():
                st.download_button(
                    f"Sheet, {title} (PDF)",
                    partial(printed_sheet_pdf, paper),
                    f"cuproscope-sheet-{paper}.pdf",
                    "application/pdf",
                    icon=":material/print:",
                    key=f"sheet-{paper}",
                    on_click="ignore",
                )


def _choose_photo(here: Visit) -> None:
    if len(here.photos) > 1:
        names = {i: f"{i + 1}. {kept.name}" for i, kept in enumerate(here.photos)}
        key = f"photos-{here.rounds}-{len(here.photos)}-{here.shown}"

        def choose() -> None:
            here.shown = typed(key)

        st.pills(
            "Photos in hand",
            list(names),
            default=here.shown,
            format_func=lambda i: plain(names[i]),
            required=True,
            key=key,
            on_change=choose,
        )
    kept = here.photo
    assert kept is not None
    with st.container(horizontal=True, vertical_alignment="center"):
        st.markdown(f"**{plain(kept.name)}**", width="stretch")
        drop, icon = partial(here.drop, kept), ":material/close:"
        press("Lay aside", drop, key=f"aside-{kept.sha256[:12]}", icon=icon)


def _show_answer(told: Answer, here: Visit, request: Request) -> None:
    result = told.result
    if not is_readable(told):
        st.error("This photo can't be read.", icon=":material/error:")
        _problems(result.problems)
        return
    if len(result.pieces) > 1:
        _show_several(told, here, request)
    else:
        _show_one(told, here, request)
    if result.cautions:
        st.html(verdict.cautions(result.cautions))


def _show_one(told: Answer, here: Visit, request: Request) -> None:
    """Show the answer first, and the picture beside it; on a phone below it."""
    result = told.result
    left, right = st.columns([5, 6], gap="large")
    with left:
        if result.pieces:
            st.html(verdict.verdict(result.pieces[0], request.sheet))
            st.html(verdict.why(result.pieces[0], request.sheet))
            flash_part(told, 0, here)
        else:
            st.html('<div class="cu"><h2>No grade</h2></div>')
        _problems(result.problems)
    with right:
        _pictures(told, here)
        st.html(verdict.measured_by(result))
    if result.pieces:
        _details(result.pieces[0], request)


def _show_several(told: Answer, here: Visit, request: Request) -> None:
    """Show the picture first, which is tapped, and the answer to one piece beside or below it."""
    result = told.result
    left, right = st.columns([6, 5], gap="large")
    with left:
        chosen = show_which(told, here, request.sheet)
        save_part(told, here)  # all at once, before one after the other is looked at
    piece = result.pieces[chosen]
    with right:
        st.html(verdict.verdict(piece, request.sheet, number=chosen + 1))
        _show(told.pictures[chosen + 1].result())
        st.html(verdict.why(piece, request.sheet))
        flash_part(told, chosen, here)
    _details(piece, request)
    st.html(verdict.measured_by(result))
    _problems(one for one in result.problems if one.code != NOTHING_THERE)


def _details(piece: GradedPiece, request: Request) -> None:
    left, right = st.columns([5, 6], gap="large")
    left.html(verdict.chances(piece, request.sheet))
    right.html(verdict.seen(piece))


def _pictures(told: Answer, here: Visit) -> None:
    label = WHOLE
    if told.result.pieces:
        label = (
            st.segmented_control(
                "View",
                [WHOLE, NEAR],
                default=WHOLE,
                required=True,
                key=f"view-{told.kept.sha256[:12]}",
                label_visibility="collapsed",
            )
            or WHOLE
        )
    if label == WHOLE and has_left_out(told):
        tap_picture(told, here)
    else:
        _show(told.pictures[label == NEAR].result())


def _show(picture: Picture) -> None:
    show_picture(picture.jpeg, alt=picture.alt)


def _problems(problems: Iterable[Problem]) -> None:
    from app.web.grade.right_wrong import alt_of, has_picture, picture_of
    from vision.problems import in_words

    for problem in problems:
        text, fix = verdict.as_line(in_words(problem)), fix_with(problem, TAPPED)
        st.warning(f"**{plain(text)}** {plain(fix)}", icon=":material/lightbulb:")
        if has_picture(problem.code):
            show_picture(picture_of(problem.code), alt=alt_of(problem.code), width=420)
