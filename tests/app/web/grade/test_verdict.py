"""The answer in words: grade, confidence, reasons, what was seen."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from app.grading import GradedPiece
from app.web.grade import verdict
from app.web.plain import plain
from app.words import percent_of
from rules.engine import grade
from rules.findings import Findings, Form, Presence
from rules.sheet import load_sheet
from tests.vision.drawn_examination import findings, mm

HOUSE = load_sheet("house")


def graded(known: Findings) -> GradedPiece:
    return GradedPiece(findings=known, grading=grade(known, HOUSE))


THICK = graded(findings(Form.WIRE, diameter=mm(2.0, 0.03), strand=mm(2.0, 0.03), tarnish=0.05))


ON_THE_LIMIT = graded(findings(Form.WIRE, diameter=mm(1.291, 0.05), strand=mm(1.291, 0.05)))


def text_of(html: str) -> str:
    return re.sub(r"<[^>]+>", " ", html)


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


def test_of_a_truth_nothing_is_told_as_only_seen() -> None:
    assert "none seen" in text_of(verdict.seen(THICK))
    told = text_of(verdict.seen(THICK, is_truth=True))
    assert "none seen" not in told and "Solder none" in re.sub(r" +", " ", told)


def test_a_borderline_piece_says_so_and_names_the_check() -> None:
    told = text_of(verdict.verdict(ON_THE_LIMIT, HOUSE))
    assert "? Borderline" in told
    assert "One check would settle it" in told
    assert " or " in told


def test_all_grades_are_told_as_figures_that_add_up() -> None:
    told = text_of(verdict.probabilities(ON_THE_LIMIT.grading, HOUSE))
    assert all(title in told for title in map(HOUSE.title_of, HOUSE.grade_ids))
    figures = [float(f) for f in re.findall(r"(?<!under )\b(\d+) %", told)]
    assert 97 <= sum(figures) <= 102
    assert "100 %" not in told, "the photo can't show everything"


def test_nothing_is_told_by_colour_alone() -> None:
    html = verdict.verdict(THICK, HOUSE) + verdict.chances(THICK, HOUSE)
    bars = re.findall(r'<div class="bar"[^>]*>', html)
    assert bars
    assert all("aria-label=" in bar for bar in bars)
    assert "1 of 4, 1 is paid best" in html


@pytest.mark.parametrize("nasty", ["<script>alert(1)</script>", "<img src=x onerror=y>", '"><b>'])
def test_text_in_an_answer_is_never_markup(nasty: str) -> None:
    assert nasty not in verdict.cautions([nasty])
    assert nasty not in verdict.bar(0.5, what=nasty)
    assert "<" not in plain(nasty).replace("\\<", "")


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


def test_a_figure_that_the_bars_do_not_show_is_explained() -> None:
    weak = replace(ON_THE_LIMIT.grading, guess=False, confidence=0.33)
    told = text_of(verdict.chances(replace(ON_THE_LIMIT, grading=weak), HOUSE))
    best = percent_of(max(weak.p.values()))
    assert f"Told as 33 %, not {best} %: the best of its reasons is no surer." in told
    same = replace(weak, confidence=max(weak.p.values()))
    assert "Told as" not in verdict.chances(replace(ON_THE_LIMIT, grading=same), HOUSE)
