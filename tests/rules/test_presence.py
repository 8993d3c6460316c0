"""Presence first, then share: what is drawn against what can be worked out by hand.

Method: JCGM 101:2008 (propagation of distributions by Monte Carlo). The moments of the Beta
distribution are those of any textbook: mean a/(a+b), variance mean (1 - mean)/(a+b+1).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.draws import Draws, best_piece, draw_pieces, estimate_of
from rules.engine import APART_CHECK, MISREAD, MISREAD_JACKET, grade
from rules.findings import ON_THE_PIECE, Findings, Finish, Form, Presence, What
from rules.sheet import load_sheet
from rules.vocabulary import SHARE_OF_FINISH
from tests.rules.pieces import finish, mm, piece, tube

HOUSE = load_sheet("house")
N = 40_000
NONE = Presence(p=0.0)


def seen(base: Findings, **flags: Any) -> Findings:
    """Return a piece of which everything was told apart, and most is not there."""
    usual: dict[str, Any] = dict.fromkeys(("coating", "insulation", "tin", "green"), NONE)
    return replace(base, **{**usual, **flags})


def column(pieces: Draws, name: str) -> np.ndarray:
    return np.broadcast_to(pieces.columns[name], (pieces.count,))


def test_a_share_is_nought_where_the_thing_is_not_there() -> None:
    coat = Presence(p=0.3, share=0.8, u_share=0.1)
    drawn = column(draw_pieces(seen(tube(), coating=coat), draws=N), "coated_share")
    there = drawn > 0
    assert there.mean() == pytest.approx(0.3, abs=0.01)
    assert drawn[there].mean() == pytest.approx(0.8, abs=0.005)
    assert drawn[there].std() == pytest.approx(0.1, abs=0.005)
    # Never the smeared 24 % that neither case has.
    assert ((drawn > 0) & (drawn < 0.3)).mean() < 0.01


def test_a_coat_that_is_hardly_there_costs_what_it_is_likely() -> None:
    # No. 1 unless coated: P = 1 - 0.1, since a coat of 80 % always passes the limit of 15 %.
    coat = Presence(p=0.1, share=0.8, u_share=0.05)
    assert grade(seen(tube(), coating=coat), HOUSE, draws=N).p["no2"] == pytest.approx(
        0.1, abs=0.01
    )


def test_the_shares_of_the_copper_add_up_and_keep_their_proportion() -> None:
    # A tenth brass, a fifth jacket: 0.7 copper in sight, of it 0.35/0.7 coated; of the rest
    # that is bare (0.5) a quarter shines.
    base = tube(shares={Finish.BRIGHT: 0.25, Finish.TARNISHED: 0.75}, u=0.0)
    whole = seen(
        replace(base, brass=Presence(p=1.0, share=0.1, u_share=0.0)),
        insulation=Presence(p=1.0, share=0.2, u_share=0.0),
        coating=Presence(p=1.0, share=0.35, u_share=0.0),
    )
    best = best_piece(whole).columns
    assert best["brass_share"][0] == pytest.approx(0.1)
    assert best["insulation_share"][0] == pytest.approx(0.2)
    assert best["coated_share"][0] == pytest.approx(0.5)
    assert best["bright_share"][0] == pytest.approx(0.5 * 0.25)
    assert best["tarnished_share"][0] == pytest.approx(0.5 * 0.75)


def test_shares_of_more_than_the_whole_are_cut_in_proportion() -> None:
    # Jacket 0.9 and coat 0.6 of one piece: 0.6 and 0.4, nothing else in sight.
    both = seen(
        tube(),
        insulation=Presence(p=1.0, share=0.9, u_share=0.0),
        coating=Presence(p=1.0, share=0.6, u_share=0.0),
    )
    best = best_piece(both).columns
    assert best["insulation_share"][0] == pytest.approx(0.6)
    assert best["coated_share"][0] == pytest.approx(1.0), "all of the copper in sight"


def test_under_a_whole_jacket_the_copper_counts_as_bright() -> None:
    # Common practice, no source: what lay under plastic never saw the air.
    jacket = seen(piece(), insulation=Presence(p=1.0, share=1.0, u_share=0.0))
    assert best_piece(jacket).columns["bright_share"][0] == 1


def test_the_shine_of_the_bare_part_keeps_its_doubt() -> None:
    base = replace(tube(), finish=finish({Finish.BRIGHT: 0.6, Finish.TARNISHED: 0.4}, 0.3, u=0.15))
    drawn = column(draw_pieces(seen(base), draws=N), "bright_share")
    assert drawn.mean() == pytest.approx(0.6, abs=0.005)
    assert drawn.std() == pytest.approx(0.15, abs=0.005)


@settings(max_examples=40, deadline=None)
@given(
    p=st.lists(st.floats(0, 1), min_size=6, max_size=6),
    share=st.lists(st.floats(0, 1), min_size=6, max_size=6),
    u=st.floats(0, 1),
)
def test_whatever_is_seen_the_draws_are_pieces(
    p: list[float], share: list[float], u: float
) -> None:
    flags: dict[str, Any] = {
        str(what): Presence(p=p[i], share=share[i], u_share=u)
        for i, what in enumerate(ON_THE_PIECE)
    }
    pieces = draw_pieces(replace(tube(), **flags), draws=300)
    drawn = np.array([column(pieces, name) for name in SHARE_OF_FINISH.values()])
    assert np.all((drawn >= 0) & (drawn <= 1 + 1e-9))
    assert np.allclose(drawn.sum(axis=0), 1)
    for what in (What.BRASS, What.SOLDER, What.INSULATION):
        assert np.all(column(pieces, f"{what}_share")[~column(pieces, str(what))] == 0)


def test_what_is_most_likely_absent_has_no_share_near_a_limit() -> None:
    hint = seen(tube(), coating=Presence(p=0.2, share=0.9, u_share=0.1))
    assert estimate_of(hint, "coated_share") == (0.0, 0.0)
    there = seen(tube(), coating=Presence(p=0.7, share=0.9, u_share=0.1))
    assert estimate_of(there, "coated_share") == (0.9, 0.1)


# -- what the house sheet makes of it: common practice, no source ---------------------------


def test_insulated_wire_is_set_aside_with_the_way_to_lift_it() -> None:
    wire = seen(piece(diameter=mm(3.0)), insulation=Presence(p=0.98, share=0.95, u_share=0.05))
    grading = grade(wire, HOUSE)
    assert grading.suggested == "set_aside"
    assert grading.reasons[0].row == "insulated"
    assert "insulated wire" in grading.reasons[0].text
    assert any("never by fire" in lift.action for lift in grading.lifts)


def test_a_scrap_of_jacket_does_not_make_it_insulated_wire() -> None:
    wire = seen(piece(diameter=mm(3.0)), insulation=Presence(p=1.0, share=0.03, u_share=0.01))
    assert grade(wire, HOUSE).suggested == "bare_bright"


def test_what_lies_under_a_jacket_has_no_measured_strand() -> None:
    wire = seen(piece(diameter=mm(3.0)), insulation=Presence(p=0.5, share=1.0, u_share=0.0))
    drawn = draw_pieces(wire, draws=N)
    inside = column(drawn, "insulation")
    assert column(drawn, "strand_diameter")[~inside].min() > 2.8
    assert np.percentile(column(drawn, "strand_diameter")[inside], 20) < 0.5


@pytest.mark.parametrize(
    ("flag", "row", "line"),
    [("not_metal", "no-metal", "No metal"), ("other_metal", "no-copper", "Another metal")],
)
def test_no_copper_is_set_aside_with_what_it_is(flag: str, row: str, line: str) -> None:
    other = seen(tube(), **{flag: Presence(p=0.99)})
    grading = grade(other, HOUSE)
    assert grading.suggested == "set_aside"
    assert grading.reasons[0].row == row
    assert line in grading.reasons[0].text


@pytest.mark.parametrize("name", ["circular-2017", "circular-before-2017"])
def test_the_circulars_keep_them_out_of_every_copper_line(name: str) -> None:
    sheet = load_sheet(name)
    assert grade(seen(tube(), not_metal=Presence(p=0.99)), sheet).suggested == "outside"
    jacket = seen(piece(), insulation=Presence(p=0.99, share=1.0, u_share=0.0))
    assert grade(jacket, sheet).suggested == "druid"


# -- strange means unsure ---------------------------------------------------------------------


def test_what_is_unlike_anything_known_is_a_guess_at_most() -> None:
    sure, strange = seen(tube()), replace(seen(tube()), familiarity=0.3)
    assert not grade(sure, HOUSE).borderline
    told = grade(strange, HOUSE)
    assert told.guess
    assert told.borderline
    assert told.suggested == "no1"
    # Half of such readings are taken for wrong: 0.5 * 1 + 0.5 / 4 grades.
    assert told.confidence <= 0.625 + 1e-9
    assert told.settle is not None


def test_what_may_be_two_pieces_is_less_sure_the_likelier_it_is() -> None:
    told = [grade(replace(seen(tube()), one_piece=p), HOUSE) for p in (1.0, 0.9, 0.6, 0.3, 0.0)]
    sure = [one.confidence for one in told]
    assert sure == sorted(set(sure), reverse=True)
    assert not told[0].borderline
    # By hand: any of four grades is as likely for the share that is read quite wrongly.
    lost = MISREAD * (1 - 0.3)
    assert told[3].p["no1"] == pytest.approx((1 - lost) * told[0].p["no1"] + lost / 4, abs=1e-9)


def test_several_leads_are_as_insulated_as_one() -> None:
    jacketed = replace(seen(tube()), insulation=Presence(p=1.0, share=1.0, u_share=0.0))
    one, several = (grade(replace(jacketed, one_piece=p), HOUSE) for p in (1.0, 0.3))
    lost = MISREAD_JACKET * (1 - 0.3)  # by hand, as above
    expected = (1 - lost) * one.p["set_aside"] + lost / 4
    assert several.p["set_aside"] == pytest.approx(expected, abs=1e-9)
    assert grade(replace(seen(tube()), one_piece=0.3), HOUSE).confidence < several.confidence


def test_moving_it_apart_is_the_check_where_only_that_is_in_doubt() -> None:
    told = grade(replace(seen(tube()), one_piece=0.3), HOUSE)
    assert told.borderline
    assert told.settle == APART_CHECK
    # What has brass in doubt as well is told of that first: it is the quicker check.
    brass = grade(replace(tube(brass=0.5), one_piece=0.3), HOUSE)
    assert brass.settle is not None
    assert brass.settle != APART_CHECK


def test_two_weak_reasons_never_make_a_sure_grade() -> None:
    # Brass and solder at 0.8 each make No. 2 by 1 - 0.2 * 0.2 = 0.96, but neither carries it.
    both = tube(brass=0.8, solder=0.8)
    told = grade(both, HOUSE)
    assert told.p["no2"] == pytest.approx(0.96, abs=0.02)
    assert told.confidence == pytest.approx(0.8, abs=0.02)
    assert told.reasons[0].p >= told.confidence


def test_a_reason_carries_what_holds_and_not_only_what_it_decided_first() -> None:
    # Thin strands hold for all; half of them are coated too, which an earlier row decides.
    thin = seen(piece(diameter=mm(0.5)), coating=Presence(p=0.4, share=1.0, u_share=0.0))
    told = grade(thin, HOUSE)
    assert told.reasons[0].row == "thin-strands"
    assert told.reasons[0].p == pytest.approx(told.p["no2"])
    assert not told.borderline


def test_light_and_heavy_corrosion_are_one_reason() -> None:
    # Green for sure, on 30 % of it: half of the draws above the limit of heavy, half below.
    told = grade(seen(tube(), green=Presence(p=1.0, share=0.3, u_share=0.1)), HOUSE)
    assert told.p["no2"] > 0.99
    assert told.confidence == pytest.approx(told.p["no2"])
    assert not told.borderline


def test_what_shines_most_has_the_least_tarnish() -> None:
    # Half of it shines by all accounts, and the level is 0.25 ± 0.1: two readings of one thing,
    # so that bare bright (level at most 0.25, 60 % shiny) has the chance of either, near one
    # half, and not of both together by chance, one quarter.
    base = replace(
        piece(diameter=mm(3.0)),
        finish=finish({Finish.BRIGHT: 0.5, Finish.TARNISHED: 0.5}, 0.25, u=0.49, u_level=0.1),
    )
    assert grade(seen(base), HOUSE).p["bare_bright"] == pytest.approx(0.48, abs=0.04)


def test_without_learned_rates_a_flag_is_the_same_for_every_form() -> None:
    flag = Presence(p=0.3, share=0.5)
    for form in (Form.WIRE, Form.TUBE):
        assert replace(piece(form, diameter=mm(2.0)), green=flag).p_of(What.GREEN) == 0.3
