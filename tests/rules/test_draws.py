"""The drawn pieces are what the findings say: values, doubts and what hangs together.

Method: JCGM 101:2008 (propagation of distributions by Monte Carlo).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.draws import UNKNOWN_STRAND_MM, Draws, best_piece, draw_pieces, estimate_of
from rules.findings import Findings, Finish, Form, Measurement, Origin, Presence, Unit
from rules.vocabulary import SHARE_OF_FINISH, VOCABULARY
from tests.rules.pieces import DULL, mm, piece, tube

N = 20_000
FORMS = tuple(Form)


def column(pieces: Draws, name: str) -> np.ndarray:
    return np.broadcast_to(pieces.columns[name], (pieces.count,))


def of_form(pieces: Draws, form: Form) -> np.ndarray:
    return column(pieces, "form") == FORMS.index(form)


def test_every_finding_of_the_vocabulary_is_drawn() -> None:
    assert set(draw_pieces(piece(), draws=10).columns) == set(VOCABULARY)


def test_a_size_keeps_its_value_and_uncertainty() -> None:
    drawn = column(draw_pieces(tube(), draws=N), "diameter")
    assert drawn.mean() == pytest.approx(15.0, abs=4 * 0.02 / N**0.5)
    assert drawn.std() == pytest.approx(0.02, rel=0.02)


def test_a_lopsided_interval_is_kept() -> None:
    # 95 % from 1.9 to 2.3 about 2.0: more room above than below.
    lopsided = Measurement(value=2.0, u=0.1, unit=Unit.MILLIMETRE, low95=1.804, high95=2.4)
    drawn = column(draw_pieces(piece(diameter=lopsided), draws=N), "diameter")
    low, high = np.percentile(drawn, [2.5, 97.5])
    assert (low, high) == pytest.approx((1.804, 2.4), abs=0.015)
    assert np.median(drawn) == pytest.approx(2.0, abs=0.005)


def test_an_interval_narrower_than_u_never_makes_it_surer() -> None:
    narrow = Measurement(value=2.0, u=0.1, unit=Unit.MILLIMETRE, low95=2.0, high95=2.0)
    drawn = column(draw_pieces(piece(diameter=narrow), draws=N), "diameter")
    assert drawn.std() == pytest.approx(0.1, rel=0.03)


def test_solid_wire_is_one_strand() -> None:
    both = piece(diameter=mm(2.0, 0.1), strand=mm(2.0, 0.1))
    pieces = draw_pieces(both, draws=N)
    assert np.array_equal(column(pieces, "diameter"), column(pieces, "strand_diameter"))
    assert np.array_equal(
        column(draw_pieces(piece(diameter=mm(2.0)), draws=9), "strand_diameter"),
        column(draw_pieces(piece(strand=mm(2.0)), draws=9), "diameter"),
    )


def test_were_it_stranded_the_outer_diameter_says_nothing_of_the_strand_but_its_bound() -> None:
    pieces = draw_pieces(
        piece({Form.WIRE: 0.6, Form.STRANDED: 0.4}, diameter=mm(3.0), strand=mm(3.0)), draws=N
    )
    stranded = of_form(pieces, Form.STRANDED)
    assert stranded.mean() == pytest.approx(0.4, abs=0.015)
    strand = column(pieces, "strand_diameter")
    assert strand[stranded].max() <= 0.5 * column(pieces, "diameter")[stranded].max()
    assert np.allclose(strand[of_form(pieces, Form.WIRE)], 3.0, atol=0.1)


def test_a_strand_that_was_measured_on_a_cable_is_kept() -> None:
    pieces = draw_pieces(piece(Form.STRANDED, diameter=mm(4.0), strand=mm(1.33)), draws=N)
    assert column(pieces, "strand_diameter").mean() == pytest.approx(1.33, abs=0.002)
    assert column(pieces, "diameter").mean() == pytest.approx(4.0, abs=0.002)


def test_an_unknown_strand_may_be_anything() -> None:
    strand = column(draw_pieces(replace(piece(), diameter=None), draws=N), "strand_diameter")
    assert strand.min() == pytest.approx(UNKNOWN_STRAND_MM[0], rel=0.01)
    assert strand.max() == pytest.approx(UNKNOWN_STRAND_MM[1], rel=0.01)
    assert 0.2 < (strand >= 1.291).mean() < 0.8, "no side of 16 AWG is taken for granted"


def test_a_strand_that_nobody_measured_fits_into_its_bundle() -> None:
    bundle = piece(Form.STRANDED, diameter=mm(6.0, 1e-6))
    strand = column(draw_pieces(bundle, draws=N), "strand_diameter")
    assert strand.max() == pytest.approx(3.0, rel=0.02), "of two twisted wires each is half"
    # One in ten is a twist, of which ln(3 / 2) / ln(3 / 0.05) are thicker than a third: 1.0 %.
    assert (strand > 2.0).mean() == pytest.approx(0.0099, abs=0.003)


def test_a_width_that_was_not_measured_lies_where_the_outline_says() -> None:
    """Log-uniform between both ends, by hand: half of the draws lie under their geometric mean."""
    wire = replace(piece(), diameter=None, width_between_mm=(0.8, 3.2))
    drawn = column(draw_pieces(wire, draws=N), "strand_diameter")
    assert drawn.min() == pytest.approx(0.8, rel=0.01)
    assert drawn.max() == pytest.approx(3.2, rel=0.01)
    assert (drawn < 1.6).mean() == pytest.approx(0.5, abs=0.015)
    cable = replace(piece(Form.STRANDED), diameter=None, width_between_mm=(1.0, 2.5))
    strand = column(draw_pieces(cable, draws=N), "strand_diameter")
    assert strand.max() < 1.25 + 1e-9, "of two twisted wires each is half"
    # What was measured is not asked of the outline.
    known = replace(piece(diameter=mm(2.0)), width_between_mm=(4.0, 5.0))
    assert column(draw_pieces(known, draws=N), "diameter").mean() == pytest.approx(2.0, abs=0.01)


@pytest.mark.parametrize(
    ("shares", "u"),
    [
        ({Finish.BRIGHT: 0.6, Finish.TARNISHED: 0.4}, 0.05),
        ({Finish.BRIGHT: 0.5, Finish.TARNISHED: 0.3, Finish.GREEN: 0.2}, 0.04),
        (dict.fromkeys(Finish, 0.2), 0.03),
        ({Finish.BRIGHT: 0.85, Finish.TARNISHED: 0.15}, 0.04),
    ],
)
def test_shares_keep_value_and_uncertainty_and_add_up_to_one(
    shares: dict[Finish, float], u: float
) -> None:
    pieces = draw_pieces(piece(shares=shares, u=u), draws=N)
    total = sum(column(pieces, name) for name in SHARE_OF_FINISH.values())
    assert np.allclose(total, 1)
    for finish, name in SHARE_OF_FINISH.items():
        drawn = column(pieces, name)
        assert drawn.min() >= 0
        assert drawn.mean() == pytest.approx(shares.get(finish, 0.0), abs=0.004)
        # The largest share's doubt follows from the others'.
        if finish in shares and shares[finish] < max(shares.values()):
            assert drawn.std() == pytest.approx(u, rel=0.03)


def test_a_piece_of_which_nothing_is_seen_is_one_thing_or_another() -> None:
    # Means as a prior has them, each as doubtful as all or nothing: no slow mix of all.
    prior = {Finish.BRIGHT: 0.4, Finish.TARNISHED: 0.4, Finish.GREEN: 0.1, Finish.COATED: 0.1}
    green = column(draw_pieces(piece(shares=prior, u=0.3), draws=N), "green_share")
    assert green.mean() == pytest.approx(0.1, abs=0.01)
    assert (green >= 0.08).mean() < 0.2


@settings(max_examples=40, deadline=None)
@given(
    raw=st.lists(st.floats(0, 1), min_size=5, max_size=5),
    u=st.floats(0, 1),
)
def test_any_shares_make_drawable_pieces(raw: list[float], u: float) -> None:
    total = sum(raw)
    if total < 1e-9:
        raw, total = [1.0] * 5, 5.0
    shares = {finish: value / total for finish, value in zip(Finish, raw, strict=True)}
    pieces = draw_pieces(piece(shares=shares, u=u), draws=300)
    drawn = np.array([column(pieces, name) for name in SHARE_OF_FINISH.values()])
    assert np.all((drawn >= 0) & (drawn <= 1))
    assert np.allclose(drawn.sum(axis=0), 1)


def test_an_unknown_finish_prefers_none_and_is_mostly_one() -> None:
    pieces = draw_pieces(piece(shares=None), draws=N)
    drawn = np.array([column(pieces, name) for name in SHARE_OF_FINISH.values()])
    assert np.allclose(drawn.mean(axis=1), 0.2, atol=0.01)
    assert (drawn.max(axis=0) > 0.5).mean() > 0.8
    level = column(pieces, "tarnish_level")
    assert (level.min(), level.max()) == pytest.approx((0, 1), abs=0.01)


def test_a_tarnish_level_stays_within_its_ends() -> None:
    level = column(draw_pieces(tube(shares=DULL, level=0.95, u_level=0.2)), "tarnish_level")
    assert level.max() == 1
    assert level.min() >= 0


def test_brass_is_there_as_often_as_it_is_likely_and_only_then_has_a_share() -> None:
    pieces = draw_pieces(tube(brass=0.3, brass_share=0.4), draws=N)
    there, share = column(pieces, "brass"), column(pieces, "brass_share")
    assert there.mean() == pytest.approx(0.3, abs=0.015)
    assert share[there].mean() == pytest.approx(0.4, abs=0.003)
    assert share[there].std() == pytest.approx(0.05, abs=0.003)  # 0.044 on 19 rendered pieces
    assert set(share[~there]) == {0.0}


def test_a_stated_share_of_brass_is_exact() -> None:
    stated = replace(tube(), brass=Presence(p=1.0, share=0.4, origin=Origin.STATED))
    assert set(column(draw_pieces(stated, draws=N), "brass_share")) == {0.4}


def test_inputs_are_independent_of_each_other() -> None:
    findings = tube(brass=0.5, solder=0.5, shares=DULL, level=0.5)
    pieces = draw_pieces(findings, draws=N)
    names = ("diameter", "tarnish_level", "green_share", "brass", "solder", "bright_share")
    drawn = np.array([column(pieces, n).astype(float) for n in names if column(pieces, n).std()])
    correlation = np.corrcoef(drawn) - np.eye(len(drawn))
    assert np.abs(correlation).max() < 0.04


def test_an_input_is_drawn_the_same_whatever_the_others_are() -> None:
    plain, brassy = draw_pieces(tube(), draws=99), draw_pieces(tube(brass=0.5), draws=99)
    assert np.array_equal(column(plain, "diameter"), column(brassy, "diameter"))


def test_the_photo_of_a_jacket_does_not_measure_the_copper() -> None:
    pieces = draw_pieces(piece(diameter=mm(4.0), insulation=True), draws=N)
    strand = column(pieces, "strand_diameter")
    assert strand.max() <= 4.1
    assert np.median(strand) < 1.0


def test_draws_cannot_be_changed_by_mistake() -> None:
    pieces = draw_pieces(piece(shares=None), draws=50)
    with pytest.raises(ValueError, match="read-only"):
        pieces.columns["tarnish_level"][0] = 5.0
    with pytest.raises(TypeError):
        pieces.columns["form"] = np.zeros(1)  # type: ignore[index]


@pytest.mark.parametrize(
    ("findings", "expected"),
    [
        (piece(diameter=mm(1.6)), {"strand_diameter": 1.6, "bright_share": 0.97}),
        (piece(Form.STRANDED, diameter=mm(4.0), strand=mm(1.3)), {"strand_diameter": 1.3}),
        (tube(brass=0.6), {"brass": True, "brass_share": 0.1}),
        (tube(brass=0.4), {"brass": False, "brass_share": 0.0}),
    ],
)
def test_the_best_piece_is_that_of_the_best_estimates(
    findings: Findings, expected: dict[str, float]
) -> None:
    best = best_piece(findings)
    assert best.count == 1
    for name, value in expected.items():
        assert column(best, name)[0] == pytest.approx(value)


def test_estimates_are_told_with_their_doubt_or_not_at_all() -> None:
    wire = piece(diameter=mm(1.6, 0.03))
    assert estimate_of(wire, "strand_diameter") == (1.6, 0.03)
    assert estimate_of(piece(Form.STRANDED, diameter=mm(4.0)), "strand_diameter") is None
    assert estimate_of(wire, "bright_share") == (0.97, 0.02)
    assert estimate_of(wire, "tarnish_level") == (0.05, 0.04)
    assert estimate_of(piece(shares=None), "tarnish_level") is None
    assert estimate_of(wire, "brass_share") == (0.0, 0.0), "what is not there is near no limit"
