"""The page that trains helpers: cards, feedback, progress, and a test."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import streamlit as st

from app.grading import GradedPiece
from app.practice.cards import PracticeCard
from app.practice.store import TEST_CARDS, CardAnswer, Practice, PracticeTest, progress_of
from app.records import NoSuchRecordError, RecordsError
from app.web.desk.state import Visit, visit
from app.web.desk.stated import shipped_sheet
from app.web.grade import verdict
from app.web.picture import show_picture
from app.web.plain import plain
from app.web.practice.cards import (
    SHEET,
    all_cards,
    card_of,
    fixed_cards,
    measured_picture,
    question_pictures,
    record_of,
)
from app.web.practice.paper import result_pdf
from app.web.practice.view import bars_of, confusion_table, mixed_up, summary, trend_of
from app.web.pressing import press, typed
from app.web.records.view import show_pair
from app.web.store import records
from rules.engine import grade as graded
from rules.errors import CuproscopeError
from rules.sheet import RuleSheet

STATE = "practice"
NOT_SURE = "I can't say why"
CARDS, PROGRESS, TEST = "Cards", "Progress", "Test"


@dataclass(frozen=True, slots=True, kw_only=True)
class Doing:
    """What a helper is at.

    Attributes:
        card: Key of the card in front of them.
        answer: Their answer to it; None while they look.
        since: When they began to look.
        test: Id of the test they are in, None in practice.
    """

    card: str | None = None
    answer: CardAnswer | None = None
    since: float = 0.0
    test: str | None = None


def show() -> None:
    """Show the page."""
    here = visit()
    st.title("Practice")
    try:
        helper = _helper(here)
        if helper is None:
            st.markdown(
                "Bring a helper to the same eye: look at a piece, name grade and reason, see at "
                "once what it truly is and why. What you get wrong comes again sooner."
            )
            return
        what = st.segmented_control(
            "What to do",
            [CARDS, PROGRESS, TEST],
            default=CARDS,
            required=True,
            key="practice-what",
            label_visibility="collapsed",
            persist_state="session",
        )
        {CARDS: _cards, PROGRESS: _progress, TEST: _test}[what or CARDS](helper, here)
    except NoSuchRecordError as fault:
        here.seen.pop(STATE, None)
        st.info(f"{plain(verdict.as_line(fault.message))} {plain(fault.fix)}")
    except RecordsError as fault:
        st.error(f"{plain(verdict.as_line(fault.message))} {plain(fault.fix)}")


def _helper(here: Visit) -> str | None:
    practice = Practice(records())
    known = practice.helpers()
    names = [helper.name for helper in known]
    before = here.seen.get("helper")
    name = st.selectbox(
        "Who practises?",
        names,
        index=names.index(before) if before in names else None,
        accept_new_options=True,
        placeholder="Type or choose a name",
        key=f"helper-{len(names)}",
    )
    if not name or not name.strip():
        return None
    if name not in names:
        name = practice.add_helper(name).name
        here.seen["helper"] = name
        st.rerun()
    if name != before:
        here.seen["helper"] = name
        here.seen.pop(STATE, None)
    return next(helper.id for helper in known if helper.name == name)


def _doing(here: Visit) -> Doing:
    found = here.seen.get(STATE)
    return found if isinstance(found, Doing) else Doing()


# ----------------------------------------------------------------------------- cards


def _cards(helper: str, here: Visit) -> None:
    practice, sheet = Practice(records()), shipped_sheet(SHEET)
    doing = _doing(here)
    if doing.test is not None:
        doing = Doing()
    if doing.card is None:
        found = practice.next_cards(helper, all_cards())
        if not found:
            st.info("No cards here: confirm pieces in the records, and they become cards.")
            return
        doing = Doing(card=found[0].key, since=time.time())
        here.seen[STATE] = doing
    try:
        assert doing.card is not None
        card = card_of(doing.card)
        pictures = question_pictures(card.key)
    except CuproscopeError:
        here.seen[STATE] = Doing()
        st.info("That card is gone; here comes another one.")
        st.button("Next card", key="gone-card")
        return
    due, done = practice.due(helper), len(practice.answers(helper))
    st.caption(f"Answers so far: {done} · Cards due again: {due}")
    if doing.answer is None:

        def answer(grade: str, row: str | None) -> None:
            seconds = time.time() - doing.since
            given = practice.answer(helper, card, grade=grade, row=row, seconds=seconds)
            here.seen[STATE] = replace(doing, answer=given)

        _ask(card, pictures, sheet, answer, key=f"{card.key}-{done}")
        return
    _feedback(card, doing.answer, sheet)
    press(
        "Next card",
        partial(here.seen.__setitem__, STATE, Doing()),
        key=f"next-{card.key}-{done}",
        type="primary",
        width="stretch",
        icon=":material/arrow_forward:",
    )


def _ask(
    card: PracticeCard,
    pictures: tuple[bytes, ...],
    sheet: RuleSheet,
    answer: Callable[[str, str | None], None],
    *,
    key: str,
) -> None:
    """Show a card; ``answer`` takes grade and row once they are named."""
    left, right = st.columns([6, 5], gap="large")
    with left:
        show_picture(pictures[0], alt="The piece to grade, from near")
        if len(pictures) > 1:
            with st.expander("Whole photo"):
                show_picture(
                    pictures[1], alt="The whole photo, the piece outlined", width="stretch"
                )
    with right:
        facts = _facts(card)
        if facts:
            st.markdown("**Known of it:** " + plain(", ".join(facts)))
        grade: str | None = st.pills(
            "Which grade?",
            list(sheet.grade_ids),
            format_func=sheet.title_of,
            default=None,
            key=f"grade-{key}",
        )
        if grade is None:
            return
        named, why = grade, f"why-{key}-{grade}"
        rows = {row.reason: row.id for row in sheet.rows if row.grade == named}
        reason = st.radio("Because …", [*rows, NOT_SURE], index=None, key=why)
        press(
            "That is my answer",
            lambda: answer(named, rows.get(typed(why) or "")),
            key=f"answer-{key}-{named}",
            type="primary",
            disabled=reason is None,
            width="stretch",
        )


def _facts(card: PracticeCard) -> list[str]:
    """Return what a person at the bench would know without the photo."""
    facts = card.findings.facts
    told = []
    if facts.magnet is not None:
        told.append("a magnet sticks" if facts.magnet == "sticks" else "a magnet does not stick")
    if facts.cut_end is not None:
        told.append(
            "a cut shows copper all through"
            if facts.cut_end == "copper"
            else "a cut shows another metal inside"
        )
    told += ["wire from a motor or coil"] if facts.motor_wire else []
    return told


def _feedback(card: PracticeCard, given: CardAnswer, sheet: RuleSheet) -> None:
    truth = sheet.title_of(card.grade)
    if given.is_right and given.reason_right is not False:
        st.success(f"Right: {plain(truth)}.", icon=":material/check:")
    elif given.is_right:
        st.warning(f"✓ Right grade, {plain(truth)}, but for another reason.")
    else:
        named = sheet.title_of(given.answered)
        st.error(f"You said {plain(named)}; it is {plain(truth)}.", icon=":material/close:")
    left, right = st.columns([6, 5], gap="large")
    with left:
        with st.spinner("Measuring …"):
            picture = measured_picture(card)
        if picture is not None:
            show_picture(picture, alt="The photo as the program measures it")
            st.caption("As the program measures it; the truth stands beside it.")
        record = record_of(card)
        if record is not None:
            show_pair(record)
    with right:
        st.markdown(f"**What decides:** {plain(verdict.as_line(card.reason))}")
        findings = card.findings
        piece = GradedPiece(findings=findings, grading=graded(findings, sheet))
        st.html(verdict.seen(piece, is_truth=True))
        st.caption(f"This card is about: {plain(card.topic)}.")


# -------------------------------------------------------------------------- progress


def _progress(helper: str, here: Visit) -> None:
    practice, sheet = Practice(records()), shipped_sheet(SHEET)
    progress = practice.progress(helper, grades=sheet.grade_ids)
    titles = {grade: sheet.title_of(grade) for grade in sheet.grade_ids}
    st.html(summary(progress))
    if progress.right is not None:
        st.markdown(f"**{plain(mixed_up(progress.confusion, titles))}**")
        st.html(confusion_table(progress.confusion, titles))
        topics = {str(topic): share for topic, share in progress.topics}
        st.html(bars_of("By what it shows, the weakest first", topics))
        st.html(trend_of(progress))

    def remove() -> None:
        practice.remove_helper(helper)
        here.seen.pop("helper", None)
        here.seen.pop(STATE, None)

    with st.expander("Remove this helper", key=f"remove-open-{helper}"):
        if st.checkbox("Their answers and tests go for good", key=f"sure-helper-{helper}"):
            press("Remove now", remove, key=f"remove-helper-{helper}")


# ------------------------------------------------------------------------------ test


def _test(helper: str, here: Visit) -> None:
    practice = Practice(records())
    doing = _doing(here)
    tests = practice.tests(helper)
    if doing.test is not None:
        running = practice.test(doing.test)
        if not running.is_finished:
            _test_card(helper, running, here)
            return
    if len(fixed_cards()) < TEST_CARDS:
        st.info("The test needs the photos of the project's folder, which are not here.")
        return
    st.markdown(
        f"{TEST_CARDS} cards, the same for everybody. No help and no answers in between; it can "
        "be left and taken up again. At the end there is a sheet to print."
    )

    def take_up(test_id: str) -> None:
        here.seen[STATE] = Doing(test=test_id, since=time.time())

    unfinished = next((test for test in tests if not test.is_finished), None)
    if unfinished is not None:
        count = len(unfinished.answers)
        words = f"Go on with the test ({count} of {TEST_CARDS} done)"
        press(words, partial(take_up, unfinished.id), key="go-on", type="primary")
    else:
        press(
            "Begin the test",
            lambda: take_up(practice.begin_test(helper, fixed_cards()).id),
            key=f"begin-{len(tests)}",
            type="primary",
        )
    for test in tests:
        if test.is_finished:
            _result(test, str(here.seen.get("helper", "")))


def _test_card(helper: str, test: PracticeTest, here: Visit) -> None:
    done, count = len(test.answers), len(test.card_keys)
    st.progress(done / count, text=f"Card {done + 1} of {count}")
    card = card_of(test.left[0])
    sheet = shipped_sheet(SHEET)

    def answer(grade: str, row: str | None) -> None:
        seconds = time.time() - _doing(here).since
        Practice(records()).answer(
            helper, card, grade=grade, row=row, seconds=seconds, test_id=test.id
        )
        here.seen[STATE] = Doing(test=test.id, since=time.time())

    _ask(card, question_pictures(card.key), sheet, answer, key=f"{test.id}-{card.key}")
    leave = partial(here.seen.__setitem__, STATE, Doing())
    press("Leave the test for now", leave, key=f"leave-{test.id}", type="tertiary")


def _result(test: PracticeTest, name: str) -> None:
    sheet = shipped_sheet(SHEET)
    titles = {grade: sheet.title_of(grade) for grade in sheet.grade_ids}
    progress = progress_of(test.answers, grades=sheet.grade_ids)
    st.subheader(f"Test of {test.begun_utc.astimezone():%d %b %Y, %H:%M}")
    st.html(summary(progress))
    st.markdown(f"**{plain(mixed_up(progress.confusion, titles))}**")
    st.download_button(
        "Save the result to print (PDF)",
        result_pdf(test, progress, name=name, titles=titles),
        "practice-test.pdf",
        "application/pdf",
        key=f"pdf-{test.id}",
        on_click="ignore",
    )
