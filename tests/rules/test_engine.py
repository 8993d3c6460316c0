"""How a grading behaves, whatever the sheet says."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.confidence import Calibration
from rules.engine import Grading, grade
from rules.errors import ContractError
from rules.findings import (
    CutEnd,
    Facts,
    Findings,
    Finish,
    FinishFinding,
    Form,
    FormFinding,
    Magnet,
    Measurement,
    Origin,
    Presence,
    Unit,
)
from rules.sheet import load_sheet, sheet_names
from rules.stated import with_stated
from rules.typed import facts_from
from tests.rules.pieces import DULL, mm, piece, tube

HOUSE = load_sheet("house")

shares01 = st.floats(0, 1)
lengths = st.builds(mm, st.floats(0.02, 60), st.floats(0, 3)) | st.none()


@st.composite
def finishes(draw: st.DrawFn) -> FinishFinding:
    raw = {finish: draw(st.floats(0, 1)) for finish in Finish}
    total = sum(raw.values())
    shares = {f: v / total for f, v in raw.items()} if total > 1e-6 else {Finish.BRIGHT: 1.0}
    level = draw(shares01)
    return FinishFinding(
        shares=shares,
        u={f: draw(st.floats(0, 0.5)) for f in Finish},
        tarnish_level=Measurement.normal(level, draw(st.floats(0, 0.5)), Unit.ONE),
    )


def flags() -> st.SearchStrategy[Presence]:
    return st.builds(Presence, p=shares01, share=shares01, u_share=shares01)


@st.composite
def all_findings(draw: st.DrawFn) -> Findings:
    raw = {form: draw(st.floats(0, 1)) for form in Form}
    total = sum(raw.values())
    p = {f: v / total for f, v in raw.items()} if total > 1e-6 else {Form.TUBE: 1.0}
    return Findings(
        form=FormFinding(p=p),
        finish=draw(finishes() | st.none()),
        brass=draw(flags()),
        solder=draw(flags()),
        coating=draw(flags() | st.none()),
        insulation=draw(flags() | st.none()),
        tin=draw(flags() | st.none()),
        green=draw(flags() | st.none()),
        other_metal=draw(flags()),
        not_metal=draw(flags()),
        familiarity=draw(shares01),
        one_piece=draw(shares01),
        width_between_mm=draw(st.sampled_from([None, (0.0, 0.9), (1.0, 5.0)])),
        diameter=draw(lengths),
        strand_diameter=draw(lengths),
        facts=Facts(
            magnet=draw(st.sampled_from([None, *Magnet])),
            cut_end=draw(st.sampled_from([None, *CutEnd])),
            oil=draw(st.sampled_from([None, True, False])),
            insulation=draw(st.sampled_from([None, True, False])),
        ),
    )


@settings(max_examples=60, deadline=None)
@given(findings=all_findings(), name=st.sampled_from(sheet_names()))
def test_any_findings_get_an_answer_that_holds_together(findings: Findings, name: str) -> None:
    sheet = load_sheet(name)
    grading = grade(findings, sheet, draws=400)
    assert tuple(grading.p) == sheet.grade_ids
    assert sum(grading.p.values()) == pytest.approx(1)
    assert all(0 <= p <= 1 for p in grading.p.values())
    most = max(grading.p.values())
    assert grading.confidence <= most
    assert (grading.suggested is None) is (most < 0.5)
    assert grading.reasons, "no piece is graded without a reason"
    rows = {row.id: row for row in sheet.rows}
    assert grading.p[rows[grading.reasons[0].row].grade] == most
    assert grading.reasons[0].p >= grading.confidence, "no surer than its best reason"
    if not grading.borderline:
        assert grading.confidence >= 0.8
        assert findings.familiarity >= 0.5
        for what, flag in with_stated(findings).seen.items():
            if any(
                c.finding == what and c.threshold for c in rows[grading.reasons[0].row].conditions
            ):
                assert flag.p >= 0.5, "a flag under one half never carries a sure grade"
    assert grading.guess is (findings.familiarity < 0.5)
    assert (grading.settle is not None) <= grading.borderline
    rank = sheet.grade_ids.index
    best = max(grading.p, key=lambda g: grading.p[g])
    for lift in grading.lifts:
        assert rank(lift.to) < rank(best), "a lift goes up"


def test_the_same_findings_get_the_same_answer() -> None:
    findings = piece(diameter=mm(1.3))
    assert grade(findings, HOUSE) == grade(findings, HOUSE)
    other = grade(findings, HOUSE, seed=1)
    assert other != grade(findings, HOUSE)
    assert other.confidence == pytest.approx(grade(findings, HOUSE).confidence, abs=0.03)


def test_the_share_of_draws_is_the_probability() -> None:
    # A strand one standard uncertainty over the limit is over it with 0.8413 (normal).
    grading = grade(piece(diameter=mm(1.291 + 0.03, 0.03)), HOUSE)
    assert grading.p["bare_bright"] == pytest.approx(0.8413, abs=0.012)
    assert grading.p["no2"] == pytest.approx(0.1587, abs=0.012)
    # Brass and solder are independent: 1 - 0.7 * 0.6.
    grading = grade(tube(brass=0.3, solder=0.4), HOUSE)
    assert grading.p["no2"] == pytest.approx(0.58, abs=0.015)


@pytest.mark.parametrize("diameter_mm", [1.32, 1.4, 1.2, 1.1])
def test_more_doubt_never_makes_a_grade_surer(diameter_mm: float) -> None:
    sure = [
        grade(piece(diameter=mm(diameter_mm, u)), HOUSE).confidence
        for u in (0.005, 0.01, 0.02, 0.05, 0.1, 0.2)
    ]
    # One draw in ten thousand is the grain of the answer.
    assert all(b <= a + 1e-4 for a, b in pairwise(sure)), sure
    assert sure[0] > sure[-1]


def test_more_doubt_of_tarnish_brass_or_form_never_makes_a_grade_surer() -> None:
    by_tarnish = [
        grade(tube(shares=DULL, level=0.6, u_level=u), HOUSE).confidence
        for u in (0.02, 0.05, 0.1, 0.2)
    ]
    by_brass = [grade(tube(brass=p), HOUSE).confidence for p in (0.0, 0.1, 0.2, 0.4)]
    by_form = [
        grade(piece({Form.TUBE: p, Form.SHEET: 1 - p}, diameter=mm(15.0)), HOUSE).confidence
        for p in (1.0, 0.9, 0.7, 0.55)
    ]
    for sure in (by_tarnish, by_brass, by_form):
        assert sure == sorted(sure, reverse=True)


@pytest.mark.parametrize("diameter_mm", [1.285, 1.291, 1.297])
def test_a_strand_on_the_limit_is_borderline(diameter_mm: float) -> None:
    grading = grade(piece(diameter=mm(diameter_mm, 0.03)), HOUSE)
    assert grading.borderline
    assert 0.4 < grading.confidence < 0.62
    assert grading.deciding == "strand_diameter"


def test_a_second_grade_near_the_first_keeps_it_borderline() -> None:
    # 0.83 would do, but 0.17 for the next is too much.
    grading = grade(tube(brass=0.17), HOUSE)
    assert grading.confidence > 0.8
    assert grading.borderline
    assert grading.suggested == "no1", "it still says which way it leans"


def test_no_grade_is_suggested_where_none_reaches_one_half() -> None:
    # Bare bright, No. 1, No. 2 and set aside all likely.
    findings = piece(
        {Form.WIRE: 0.4, Form.TUBE: 0.3, Form.SHEET: 0.3}, level=0.25, diameter=mm(1.291, 0.05)
    )
    grading = grade(findings, HOUSE)
    assert grading.suggested is None
    assert grading.borderline
    assert grading.settle is not None


@pytest.mark.parametrize(
    ("findings", "deciding", "word"),
    [
        (piece(diameter=mm(1.3, 0.03)), "strand_diameter", "caliper"),
        (tube(brass=0.5), "brass", "file: yellow means brass, red means copper"),
        (tube(solder=0.5), "solder", "grey"),
        (piece({Form.TUBE: 0.5, Form.SHEET: 0.5}, diameter=mm(15.0)), "form", "cut end"),
        (tube(shares=DULL, level=0.75, u_level=0.05), "tarnish_level", "penny"),
        (
            tube(shares={Finish.GREEN: 0.08, Finish.TARNISHED: 0.92}, level=0.4),
            "green_share",
            "wet rag",
        ),
        (piece(shares={Finish.COATED: 0.15, Finish.BRIGHT: 0.85}), "coated_share", "scrape"),
        (piece(shares={Finish.TINNED: 0.15, Finish.BRIGHT: 0.85}), "tinned_share", "scratch"),
    ],
)
def test_the_one_check_settles_what_is_in_doubt(
    findings: Findings, deciding: str, word: str
) -> None:
    grading = grade(findings, HOUSE)
    assert grading.borderline
    assert grading.deciding == deciding
    assert grading.settle is not None
    assert word in grading.settle


def test_the_check_says_what_to_measure() -> None:
    wire = grade(piece(diameter=mm(1.3, 0.03)), HOUSE)
    cable = grade(piece(Form.STRANDED, strand=mm(1.3, 0.03)), HOUSE)
    assert wire.settle == "measure the wire with a caliper: does it reach 1.291 mm?"
    assert cable.settle == "measure a single strand with a caliper: does it reach 1.291 mm?"


def test_the_check_that_was_asked_for_settles_the_piece() -> None:
    before = grade(piece(diameter=mm(1.3, 0.04)), HOUSE)
    after = grade(piece(diameter=mm(1.33, 0.005)), HOUSE)
    assert before.borderline
    assert not after.borderline


def test_what_nobody_measured_is_not_decided() -> None:
    # Without a scale the strand could be anything: no guess, but the check that tells.
    unknown = replace(piece(), diameter=None)
    grading = grade(unknown, HOUSE)
    assert grading.borderline
    assert grading.deciding == "strand_diameter"
    no_finish = grade(piece(shares=None), HOUSE)
    assert no_finish.borderline
    assert no_finish.settle is not None


def test_what_nobody_measured_may_be_missing_where_it_can_turn_nothing() -> None:
    assert not grade(replace(tube(), diameter=None), HOUSE).borderline
    assert not grade(piece(Form.SHEET, shares=None), HOUSE).borderline
    assert not grade(piece(shares=None, motor_wire=True), HOUSE).borderline
    # IEC 60228, class 2, seven strands at least: those of 6 mm2 (7 x 1.04 mm) are too thin,
    # whatever nobody measured; those of 10 mm2 (7 x 1.35 mm) are not.
    for bundle_mm in (2.0, 3 * 1.04):
        told = grade(piece(Form.STRANDED, diameter=mm(bundle_mm)), HOUSE)
        assert told.suggested == "no2"
        assert not told.borderline
    for bundle_mm in (3 * 1.35, 12.0):
        assert grade(piece(Form.STRANDED, diameter=mm(bundle_mm)), HOUSE).borderline


def test_a_bundle_is_never_taken_for_a_strand() -> None:
    grading = grade(piece(Form.STRANDED, diameter=mm(2.4, 0.01)), HOUSE)
    assert grading.p["bare_bright"] == 0


def test_reasons_tell_value_doubt_limit_and_margin() -> None:
    grading = grade(piece(diameter=mm(1.31, 0.04)), HOUSE)
    first = grading.reasons[0]
    assert first.row == "bare-bright"
    assert "Strand 1.31 mm (1.23 to 1.39), limit 1.291 mm" in first.text
    assert first.margin == pytest.approx((1.31 - 1.291) / 0.04)
    second = grading.reasons[1]
    assert second.row == "thin-strands"
    assert second.margin == pytest.approx(-(1.31 - 1.291) / 0.04)


def test_the_margin_is_that_of_the_nearest_limit_also_of_rows_above() -> None:
    # A clean tube has no number of its own; green corrosion is what could cost it.
    near_green = {Finish.GREEN: 0.05, Finish.TARNISHED: 0.95}
    reason = grade(tube(shares=near_green, level=0.4), HOUSE).reasons[0]
    assert reason.row == "clean-tube"
    assert reason.margin == pytest.approx((0.08 - 0.05) / 0.02)
    assert "Green corrosion about 5 %, limit 8 %" in reason.text


def test_a_certain_fact_has_no_margin() -> None:
    reason = grade(piece(magnet=Magnet.STICKS), HOUSE).reasons[0]
    assert reason.margin is None


@given(st.permutations(["magnet=free", "oil=yes", "cut_end=copper", "insulation=no"]))
@settings(deadline=None, max_examples=10)
def test_the_order_of_facts_is_irrelevant(texts: list[str]) -> None:
    first = grade(replace(piece(), facts=facts_from(sorted(texts))), HOUSE, draws=500)
    assert grade(replace(piece(), facts=facts_from(texts)), HOUSE, draws=500) == first


def test_a_temperature_changes_how_sure_not_which() -> None:
    findings = piece(diameter=mm(1.31, 0.02))
    plain = grade(findings, HOUSE, calibration=Calibration())
    softer = grade(findings, HOUSE, calibration=Calibration(temperature=2.0, date="2026-01-01"))
    assert softer.suggested == plain.suggested
    assert softer.confidence < plain.confidence
    assert sum(softer.p.values()) == pytest.approx(1)


def test_only_what_was_read_off_a_photo_is_calibrated_for_photos(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    doubt = Calibration(temperature=2.0, lapse=0.08, date="2026-01-01")
    monkeypatch.setattr("rules.engine.photo_calibration", lambda: doubt)
    read = piece(diameter=mm(1.31, 0.02))
    assert read.finish is not None
    stated = replace(read, finish=replace(read.finish, origin=Origin.STATED))
    assert grade(stated, HOUSE).p == grade(stated, HOUSE, calibration=Calibration()).p
    assert grade(read, HOUSE).p == grade(read, HOUSE, calibration=doubt).p
    assert grade(read, HOUSE).confidence < grade(stated, HOUSE).confidence


def test_plausible_grades_hold_the_most_likely_and_come_in_order() -> None:
    grading = grade(piece(diameter=mm(1.30, 0.05)), HOUSE)
    assert grading.plausible[0] == max(grading.p, key=grading.p.__getitem__)
    shares = [grading.p[one] for one in grading.plausible]
    assert shares == sorted(shares, reverse=True)
    assert len(shares) == 2, "thick enough or not"


def test_facts_that_a_photo_cannot_show_are_told_where_they_could_turn_the_grade() -> None:
    shiny = grade(piece(), HOUSE)
    assert shiny.assumed == (
        "magnet", "cut_end", "motor_wire", "oil", "paint", "enamel", "insulation",
    )  # fmt: skip
    asked = grade(piece(magnet=Magnet.FREE, cut_end=CutEnd.COPPER, oil=False), HOUSE)
    assert asked.assumed == ("motor_wire", "paint", "enamel", "insulation")
    # Thin wire is No. 2 with or without oil, but steel inside would still matter.
    thin = grade(piece(diameter=mm(0.5)), HOUSE)
    assert thin.assumed == ("magnet", "cut_end", "insulation")
    assert grade(piece(magnet=Magnet.STICKS), HOUSE).assumed == ()


def test_without_draws_there_is_no_answer() -> None:
    with pytest.raises(ContractError, match="at least one draw"):
        grade(piece(), HOUSE, draws=0)


def test_stated_confidence_is_the_share_of_right_answers() -> None:
    """Honest doubt: pieces drawn from the stated uncertainty are right as often as told."""
    rng = np.random.default_rng(11)
    told, right = [], []
    for _ in range(250):
        truth = float(rng.uniform(1.15, 1.45))
        u = float(rng.uniform(0.01, 0.06))
        grading: Grading = grade(piece(diameter=mm(rng.normal(truth, u), u)), HOUSE, draws=1000)
        told.append(grading.confidence)
        right.append(grading.suggested == ("bare_bright" if truth >= 1.291 else "no2"))
    # Standard error of 250 answers at 0.85 is 0.023.
    assert float(np.mean(told)) == pytest.approx(float(np.mean(right)), abs=0.05)
    decided = [r for t, r in zip(told, right, strict=True) if t > 0.85]
    assert np.mean(decided) > 0.95


def test_what_is_set_aside_for_sure_says_which_line_buys_it() -> None:
    assert grade(tube(brass=0.99, brass_share=0.95), HOUSE).line == "brass"
    assert grade(tube(), HOUSE).line is None
    half = grade(tube(brass=0.5, brass_share=0.95), HOUSE)
    assert half.borderline and half.line is None
