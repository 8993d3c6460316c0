"""What the pages decide and say, without a page: words, requests, problems' pictures."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from app.grading import GradedPiece, grade_examination
from app.request import FORMS as KNOWN_FORMS
from app.request import Request
from app.web.desk.stated import (
    CUT_ENDS,
    FORMS,
    MAGNETS,
    NO,
    QUESTIONS,
    REFERENCES,
    YES,
    Stated,
    coins,
    count_said,
    reference_key,
    request_of,
    shipped_sheet,
)
from app.web.grade import right_wrong, verdict
from app.web.grade.answers import Shelf, _pictures
from app.web.grade.right_wrong import alt_of, picture_of
from app.web.opinion.comparing import Call, agreement, cuts_of, marks_of
from app.web.opinion.tarnish_picture import Cut, Mark, tarnish_picture
from app.web.opinion.tarnish_picture import alt_of as tarnish_alt
from app.web.plain import plain
from rules.engine import grade
from rules.findings import CutEnd, Facts, Findings, Form, Magnet, Measurement, Presence, Unit
from rules.sheet import load_sheet
from tests.vision.drawn_examination import examination, findings, mm
from vision.reference.references import parse_reference

HOUSE = load_sheet("house")


def graded(known: Findings) -> GradedPiece:
    return GradedPiece(findings=known, grading=grade(known, HOUSE))


THICK = graded(findings(Form.WIRE, diameter=mm(2.0, 0.03), strand=mm(2.0, 0.03), tarnish=0.05))
ON_THE_LIMIT = graded(findings(Form.WIRE, diameter=mm(1.291, 0.05), strand=mm(1.291, 0.05)))


def text_of(html: str) -> str:
    return re.sub(r"<[^>]+>", " ", html)


def test_every_word_on_the_page_means_something_to_the_rules() -> None:
    assert {form for form in FORMS.values() if form is not None} == set(KNOWN_FORMS)
    assert {m for m in MAGNETS.values() if m is not None} == set(Magnet)
    assert {c for c in CUT_ENDS.values() if c is not None} == set(CutEnd)
    assert set(QUESTIONS) <= set(Facts.__dataclass_fields__)


@pytest.mark.parametrize("word", list(REFERENCES))
def test_every_reference_has_a_key_that_the_eye_knows(word: str) -> None:
    key = reference_key(Stated(reference=word, coin="eu-1", marker_mm=40.0))
    assert parse_reference(key).kind in ("auto", "card", "sheet", "coin", "marker")


def test_only_coins_that_can_serve_are_offered() -> None:
    from vision.reference.coin.kinds import coin

    assert len(coins()) >= 20
    for key in coins().values():
        coin(key)  # raises for one that can't serve


def test_what_is_said_reaches_the_request_and_what_is_not_said_stays_open() -> None:
    stated = Stated(
        form="Tube",
        magnet="It does not",
        yes_no=(("oil", YES), ("paint", NO), ("enamel", "Not said")),
    )
    request = request_of(stated)
    assert request.form == "tube"
    assert request.facts == Facts(magnet=Magnet.FREE, oil=True, paint=False)
    assert count_said(stated) == 4
    assert count_said(Stated()) == 0
    assert request_of(Stated()).facts == Facts()


def test_the_measured_bar_counts_for_the_printed_sheet_alone() -> None:
    sheet = next(word for word, kind in REFERENCES.items() if kind == "sheet")
    assert request_of(Stated(reference=sheet, bar_mm=49.5)).print_scale == pytest.approx(0.99)
    assert request_of(Stated(bar_mm=49.5)).print_scale == 1.0
    assert request_of(Stated(reference=sheet)).print_scale == 1.0


def test_a_sure_piece_says_grade_confidence_and_reason() -> None:
    told = text_of(verdict.verdict(THICK, HOUSE))
    assert "Bare bright" in told
    assert re.search(r"(✓ Sure|≈ Likely), \d\d %", told)
    because = text_of(verdict.why(THICK, HOUSE))
    assert "limit 1.291" in because
    assert "±" not in because, "no standard uncertainties"


def test_a_number_keeps_its_unit_where_the_line_breaks() -> None:
    told = verdict.as_line("coated 20 % ± 38 %, limit 15 %").replace("\N{NO-BREAK SPACE}", "~")
    assert told == "Coated 20~% ±~38~%, limit 15~%."


def test_a_borderline_piece_says_so_and_names_the_check() -> None:
    told = text_of(verdict.verdict(ON_THE_LIMIT, HOUSE))
    assert "? Borderline" in told
    assert "One check would settle it" in told
    assert " or " in told


def test_all_grades_are_told_as_figures_that_add_up() -> None:
    told = text_of(verdict.chances(ON_THE_LIMIT, HOUSE))
    assert all(title in told for title in map(HOUSE.title_of, HOUSE.grade_ids))
    figures = [float(f) for f in re.findall(r"(?<!under )\b(\d+) %", told)]
    assert 97 <= sum(figures) <= 102
    assert "100 %" not in told, "the photo can't show everything"


def test_nothing_is_told_by_colour_alone() -> None:
    html = verdict.verdict(THICK, HOUSE) + verdict.chances(THICK, HOUSE)
    bars = re.findall(r'<div class="bar"[^>]*>', html)
    assert bars
    assert all("aria-label=" in bar for bar in bars)
    assert 'aria-label="Rank 1 of 4' in html


@pytest.mark.parametrize("nasty", ["<script>alert(1)</script>", "<img src=x onerror=y>", '"><b>'])
def test_text_in_an_answer_is_never_markup(nasty: str) -> None:
    assert nasty not in verdict.cautions([nasty])
    assert nasty not in verdict.bar(0.5, what=nasty)
    assert "<" not in plain(nasty).replace("\\<", "")


@pytest.mark.parametrize("code", sorted(right_wrong.PAIRS))
def test_each_problem_shows_wrong_and_right(code: str) -> None:
    with Image.open(io.BytesIO(picture_of(code))) as picture:
        both = np.asarray(picture.convert("RGB")).astype(int)
    width = right_wrong.SIZE[0]
    wrong, right = both[:, :width], both[:, -width:]
    assert np.abs(wrong - right).mean() > 3, "they must differ to the eye"
    assert len(picture_of(code)) < 40_000
    assert "crossed out" in alt_of(code)


def test_pictures_belong_to_problems_that_exist() -> None:
    """A picture nobody could ever see is a mistake."""
    from vision.problems import CATALOGUE

    assert set(right_wrong.PAIRS) <= {key.split(".")[0] for key in CATALOGUE}


def test_the_sheets_tarnish_limits_are_on_the_strip_by_name() -> None:
    """0.25 and 0.75 are the house sheet's own (rules/sheets/house.toml)."""
    cuts = cuts_of(HOUSE)
    assert [cut.value for cut in cuts] == [0.25, 0.75]
    assert cuts[0].name.startswith("Bare bright")
    assert cuts[1].name.startswith("No. 1")


@pytest.mark.parametrize("name", ["circular-2017", "circular-before-2017"])
def test_every_shipped_sheet_can_be_drawn(name: str) -> None:
    tarnish_picture((), cuts_of(shipped_sheet(name)))


def pixels(marks: tuple[Mark, ...], cuts: tuple[Cut, ...] = ()) -> np.ndarray:
    with Image.open(io.BytesIO(tarnish_picture(marks, cuts))) as picture:
        return np.asarray(picture.convert("RGB")).astype(int)


def blue_width(marks: tuple[Mark, ...]) -> int:
    """How wide the interval's bar is drawn, in pixels."""
    seen = pixels(marks)[:70]
    blue = (seen[..., 2] > seen[..., 0] + 40) & (seen[..., 2] < 170)
    return int(blue.any(axis=0).sum())


def test_a_narrower_interval_is_drawn_narrower() -> None:
    wide = blue_width((Mark(name="m", value=0.4, low=0.2, high=0.6),))
    narrow = blue_width((Mark(name="m", value=0.4, low=0.35, high=0.45),))
    assert wide > 3 * narrow > 0


def test_marks_stay_inside_and_the_words_say_the_same() -> None:
    measured = Measurement.normal(0.05, 0.1, Unit.ONE)
    marks = marks_of(measured, Call(grade="no1", level=1.0))
    assert marks[0].low == 0.0
    assert marks[1].value == 1.0
    told = tarnish_alt(marks, (Cut(name="x", value=0.25),))
    assert "measured at 0.05, between 0.00 and 0.25" in told
    assert "your call at 1.00" in told
    assert "limit x at 0.25" in told
    pixels(marks)


def test_agreement_is_said_as_it_is() -> None:
    call = Call(grade="no1")
    assert "agree" in agreement(call, "no1", borderline=False)
    assert "still borderline" in agreement(call, "no1", borderline=True)
    assert "differ" in agreement(call, "no2", borderline=False)
    assert "not sure" in agreement(call, "no2", borderline=True)
    assert "either way" in agreement(call, None, borderline=True)


def test_a_place_to_cut_is_shown_only_where_the_cut_is_worth_it() -> None:
    request = Request(sheet=HOUSE)
    result = grade_examination(examination(pieces=1, size=(750, 1000)), request)
    (piece,) = result.pieces
    assert piece.grading.lifts
    idle = replace(piece, grading=replace(piece.grading, lifts=()))
    with_cut = _pictures(result, request)
    without = _pictures(replace(result, pieces=(idle,)), request)
    for one, other in zip(with_cut, without, strict=True):
        assert one.result().jpeg != other.result().jpeg


def test_the_shelf_keeps_the_last_and_makes_each_once() -> None:
    shelf: Shelf[int] = Shelf(2)
    made = []

    def make(value: int) -> int:
        made.append(value)
        return value

    for key in (1, 2, 1, 3, 1, 2):
        assert shelf.get(key, lambda key=key: make(key)) == key  # type: ignore[misc]
    assert made == [1, 2, 3, 2]


def test_what_is_on_the_piece_is_told_one_by_one_and_what_makes_it_none_only_where_likely() -> None:
    found = replace(
        THICK,
        findings=replace(
            THICK.findings,
            coating=Presence(p=0.03),
            insulation=Presence(p=0.97, share=0.8),
            other_metal=Presence(p=0.2),
            familiarity=0.3,
            one_piece=0.72,
        ),
    )
    told = text_of(verdict.seen(found)).replace("\N{NO-BREAK SPACE}", " ")
    assert "Coating none seen" in re.sub(r"\s+", " ", told)
    assert "Insulation there, on about 80 % of it" in re.sub(r"\s+", " ", told)
    assert "Another metal not ruled out (20 %)" in re.sub(r"\s+", " ", told)
    assert "No metal" not in told
    assert "unlike what the tool knows" in told
    assert "may be two pieces, or only a part of one (28 %)" in told
    assert "two pieces" not in text_of(verdict.seen(THICK))


def test_where_it_is_from_is_a_fact_and_no_word_of_it_is_lost() -> None:
    from app.web.desk.stated import SOURCES
    from rules.findings import Source

    assert set(SOURCES.values()) == {None, *Source}
    said = Stated(source=next(word for word, s in SOURCES.items() if s is Source.PLUMBING))
    assert request_of(said).facts.source is Source.PLUMBING
    assert request_of(Stated()).facts.source is None
