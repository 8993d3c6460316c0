"""Several photos of one piece: what averages out does, what doesn't never shrinks."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from math import hypot, sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2 as reference_chi2

from rules.errors import ContractError
from rules.findings import (
    Facts,
    Finish,
    Form,
    FormFinding,
    Magnet,
    Measurement,
    Origin,
    Presence,
    Unit,
)
from rules.pooled import (
    agreement_of,
    best_weights,
    chi2_tail,
    pool_findings,
    pool_measurements,
    pool_presences,
    weighted_mean,
)
from tests.rules.pieces import piece, tube

U: dict[str, Any] = {"u": 0.1, "u_level": 0.1}


def sized(value: float, *, own: float = 0.03, scale: float = 0.02) -> Measurement:
    budget = {"edges": own, "scale": scale}
    return Measurement.normal(value, hypot(own, scale), Unit.MILLIMETRE, budget=budget)


# -- worked examples ----------------------------------------------------------------


def test_the_zener_voltages_of_the_guide() -> None:
    # JCGM 100:2008, H.5, table H.9 (from memory; the guide's own sums are checked first):
    # means of ten days, in microvolts over 10 V, each of five readings.
    days = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41], float)
    within = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86], float)
    assert days.mean() == pytest.approx(97, abs=0.5)
    assert days.std(ddof=1) == pytest.approx(57, abs=0.5)
    s_b = sqrt(np.mean(within**2))
    assert s_b == pytest.approx(85, abs=0.5)
    mean = weighted_mean(days, np.full(10, s_b / sqrt(5)))
    assert mean.value == pytest.approx(97, abs=0.5)
    # The guide: F = 2.25, and u = 18 microvolts because the days differ.
    assert mean.agreement is not None
    assert mean.agreement.birge**2 == pytest.approx(2.25, abs=0.03)
    assert mean.u == pytest.approx(18, abs=0.1)


def test_ten_resistors_calibrated_with_one_standard() -> None:
    # JCGM 100:2008, 5.2.2, example: ten resistors of 1000 ohm, each with u = 100 milliohm
    # from the same standard. Their sum has u = 1 ohm, so their mean still 0.1 ohm.
    mean = weighted_mean(np.full(10, 1000.0), np.zeros(10), {"standard": np.full(10, 0.1)})
    assert 10 * mean.u == pytest.approx(1.0)


def test_the_charm_lifetimes_of_lyons_gibaut_and_clifford() -> None:
    # Nucl. Instr. Meth. A270 (1988) 110, section 5: values and covariance (17'); weights
    # and result from memory, 11.16 +- 1.13 (1e-13 s).
    values = np.array([9.5, 11.9, 11.1, 8.9])
    covariance = np.array(
        [
            [2.74, 1.15, 0.86, 1.31],
            [1.15, 1.67, 0.82, 1.32],
            [0.86, 0.82, 2.12, 1.05],
            [1.31, 1.32, 1.05, 2.93],
        ]
    )
    weights = best_weights(covariance)
    assert weights == pytest.approx([0.145, 0.470, 0.347, 0.038], abs=5e-4)
    assert weights @ values == pytest.approx(11.16, abs=0.005)
    assert sqrt(weights @ covariance @ weights) == pytest.approx(1.13, abs=0.005)


def test_the_mean_stays_between_the_values_of_peelles_puzzle() -> None:
    # Peelle 1987 (from memory): 1.5 and 1.0, each 10 % of its own and 20 % shared. Least
    # squares gives 0.88, outside both; we must not.
    mean = weighted_mean([1.5, 1.0], [0.15, 0.1], {"norm": [0.3, 0.2]})
    covariance = np.array([[0.15**2 + 0.09, 0.06], [0.06, 0.01 + 0.04]])
    inverse = np.linalg.inv(covariance)
    assert inverse.sum(axis=0) @ [1.5, 1.0] / inverse.sum() == pytest.approx(0.88, abs=0.005)
    assert best_weights(covariance) == pytest.approx([0, 1])
    assert 1.0 <= mean.value <= 1.5
    assert mean.u > 0.2 and mean.budget["norm"] >= 0.2


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 7, 20])
def test_the_tail_of_chi_square(dof: int) -> None:
    for value in (0.0, 0.1, 1.0, 3.84, 10.0, 60.0):
        assert chi2_tail(value, dof) == pytest.approx(reference_chi2.sf(value, dof), rel=1e-9)


# -- weights ------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 5), st.integers(0, 10_000))
def test_no_other_weights_are_better(size: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    spread = rng.lognormal(0, 1, size)
    shared = rng.lognormal(0, 1, (size, 2))
    covariance = np.diag(spread**2) + shared @ shared.T
    weights = best_weights(covariance)
    assert weights.sum() == pytest.approx(1) and (weights >= 0).all()
    reached = weights @ covariance @ weights
    best = np.inf  # by trying every subset of values
    for count in range(1, size + 1):
        for chosen in combinations(range(size), count):
            part = np.linalg.solve(covariance[np.ix_(chosen, chosen)], np.ones(count))
            if (part >= 0).all():
                best = min(best, 1 / part.sum())
    assert reached == pytest.approx(best, rel=1e-9)


# -- honest doubt -------------------------------------------------------------------


@pytest.mark.parametrize(("photos", "own", "shared"), [(2, 0.03, 0.01), (4, 0.03, 0.03)])
def test_the_pooled_interval_covers_the_truth(photos: int, own: float, shared: float) -> None:
    rng = np.random.default_rng(11)
    inside, far, runs = 0, [], 800
    for _ in range(runs):
        common = rng.normal(0, shared)
        readings = [
            sized(1.6 + common + rng.normal(0, own), own=own, scale=shared) for _ in range(photos)
        ]
        pooled, _ = pool_measurements(readings)
        inside += pooled.low95 <= 1.6 <= pooled.high95
        far.append((pooled.value - 1.6) / pooled.u)
    # The Birge ratio only ever widens, so at least 95 %: 0.95 +- 3 sd of 800 tries is 0.927.
    assert 0.927 < inside / runs < 0.99
    assert 0.8 < np.std(far) < 1.05


def test_photos_that_differ_more_than_they_say_are_widened_enough() -> None:
    rng = np.random.default_rng(12)
    inside, narrow, runs = 0, 0, 300
    for _ in range(runs):
        readings = [sized(1.6 + rng.normal(0, 0.09), scale=0.0) for _ in range(6)]
        pooled, _ = pool_measurements(readings)
        inside += pooled.low95 <= 1.6 <= pooled.high95
        narrow += abs(pooled.value - 1.6) <= 1.96 * 0.03 / sqrt(6)
    assert narrow / runs < 0.6, "without widening they would be wrong half of the time"
    assert inside / runs > 0.85


def test_shares_level_and_flags_are_right_in_simulation() -> None:
    # Evidence as the flags' formula assumes it: normal, equal weight, correlation r.
    rng = np.random.default_rng(13)
    correlation, photos, prior, distance = 0.5, 3, 0.1, 2.0
    there = rng.random(12_000) < prior
    common = rng.normal(0, sqrt(correlation), there.size)
    told = []
    for _ in range(photos):
        seen = (there - 0.5) * distance + common + rng.normal(0, sqrt(1 - correlation), there.size)
        odds = np.log(prior / (1 - prior)) + distance * seen
        told.append(1 / (1 + np.exp(-odds)))
    pooled = np.array(
        [
            pool_presences([Presence(p=float(p)) for p in each], prior, correlation=correlation).p
            for each in np.array(told).T
        ]
    )
    for low, high in ((0.0, 0.05), (0.2, 0.5), (0.5, 0.8), (0.9, 1.0)):
        chosen = (pooled >= low) & (pooled < high)
        assert chosen.sum() > 90
        error = 4 * sqrt(0.25 / chosen.sum())
        assert there[chosen].mean() == pytest.approx(pooled[chosen].mean(), abs=error)
    # More photos tell more: the pooled answer beats any single one.
    single = np.mean((told[0] - there) ** 2)
    assert np.mean((pooled - there) ** 2) < 0.97 * single


# -- relations ----------------------------------------------------------------------


def test_more_photos_narrow_it_but_never_below_the_shared_part() -> None:
    widths = []
    for count in (1, 2, 4, 16, 60):
        pooled, _ = pool_measurements([sized(1.6)] * count)
        widths.append(pooled.high95 - pooled.low95)
        assert pooled.u > 0.02
        assert pooled.u == pytest.approx(hypot(0.02, 0.03 / sqrt(count)))
    assert widths == sorted(widths, reverse=True)
    assert widths[1] < 0.85 * widths[0]
    assert widths[-1] == pytest.approx(2 * 1.96 * 0.02, rel=0.02)


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(1.5, 1.7), st.floats(0.001, 0.1), st.floats(0.0, 0.1)),
        min_size=2,
        max_size=6,
    )
)
def test_the_pooled_value_is_between_and_its_parts_are_its_u(
    readings: list[tuple[float, float, float]],
) -> None:
    measured = [sized(v, own=own, scale=shared) for v, own, shared in readings]
    pooled, agreement = pool_measurements(measured)
    assert min(m.value for m in measured) - 1e-9 <= pooled.value
    assert pooled.value <= max(m.value for m in measured) + 1e-9
    assert pooled.u == pytest.approx(sqrt(sum(p**2 for p in pooled.budget.values())))
    assert pooled.u >= min(shared for _, _, shared in readings) - 1e-12
    assert agreement is not None and agreement.birge >= 1
    if agreement.birge == 1:
        assert pooled.u <= min(m.u for m in measured) + 1e-9


def test_pooling_a_pooled_value_keeps_the_shared_part_shared() -> None:
    twice, _ = pool_measurements([sized(1.6)] * 2)
    again, _ = pool_measurements([twice, twice])
    assert again.budget["scale"] == pytest.approx(0.02)
    assert again.u == pytest.approx(hypot(0.02, 0.03 / 2))


def test_other_references_make_the_scale_independent() -> None:
    same = pool_findings([piece(diameter=sized(1.6)), piece(diameter=sized(1.6))])
    other = pool_findings(
        [piece(diameter=sized(1.6)), piece(diameter=sized(1.6))],
        independent={"edges", "scale"},
    )
    assert same.findings.diameter is not None and other.findings.diameter is not None
    assert other.findings.diameter.u == pytest.approx(hypot(0.02, 0.03) / sqrt(2))
    assert other.findings.diameter.u < same.findings.diameter.u


def test_photos_that_disagree_widen_it_and_say_so() -> None:
    near = pool_findings([piece(diameter=sized(1.60)), piece(diameter=sized(1.61))])
    far = pool_findings([piece(diameter=sized(1.30)), piece(diameter=sized(1.90))])
    assert near.disagreeing == () and far.disagreeing == ("diameter",)
    assert near.findings.diameter is not None and far.findings.diameter is not None
    assert far.findings.diameter.u > 5 * near.findings.diameter.u
    assert far.findings.diameter.low95 < 1.35 and far.findings.diameter.high95 > 1.85


def test_a_skewed_interval_stays_skewed_and_a_level_stays_in_its_range() -> None:
    skewed = Measurement(value=1.6, u=0.05, unit=Unit.MILLIMETRE, low95=1.5, high95=1.9)
    pooled, _ = pool_measurements([skewed, skewed])
    assert pooled.high95 - pooled.value > 2 * (pooled.value - pooled.low95)
    level = Measurement(value=0.02, u=0.1, unit=Unit.ONE, low95=0.0, high95=0.216)
    pooled, _ = pool_measurements([level, level])
    assert pooled.low95 == 0.0 and 0.02 < pooled.high95 < 0.216


def test_a_finish_narrows_and_its_shares_add_up() -> None:
    none = dict.fromkeys(Finish, 0.0)
    one = piece(shares=none | {Finish.BRIGHT: 0.6, Finish.TARNISHED: 0.4}, level=0.2, **U)
    two = piece(shares=none | {Finish.BRIGHT: 0.7, Finish.GREEN: 0.3}, level=0.3, **U)
    pooled = pool_findings([one, two]).findings.finish
    assert pooled is not None
    assert sum(pooled.shares.values()) == pytest.approx(1)
    assert pooled.shares[Finish.BRIGHT] == pytest.approx(0.65)
    # Half of the variance is shared: sqrt(1/2 + 1/4) of one photo's.
    assert pooled.u[Finish.BRIGHT] == pytest.approx(0.1 * sqrt(0.75), rel=0.01)
    assert pooled.tarnish_level.u == pytest.approx(0.1 * sqrt(0.75), rel=0.01)
    assert pooled.tarnish_level.value == pytest.approx(0.25)
    assert pooled.u[Finish.GREEN] > 0.1  # the photos disagree on it


@pytest.mark.parametrize(
    ("seen", "low", "high"),
    [
        ([0.9, 0.9], 0.9, 1.0),
        ([0.02, 0.02], 0.0, 0.02),
        ([0.99, 0.01], 0.2, 0.8),
        ([0.0, 1.0], 0.2, 0.8),
        ([0.1, 0.1, 0.1], 0.09, 0.11),  # no photo says more than was known before
    ],
)
def test_brass_and_solder_are_pooled(seen: list[float], low: float, high: float) -> None:
    flag = pool_presences([Presence(p=p, share=0.2) for p in seen], 0.1, correlation=0.5)
    assert low <= flag.p <= high
    assert flag.share == pytest.approx(0.2)


def test_photos_of_one_kind_count_once() -> None:
    flags = [Presence(p=0.7)] * 5
    assert pool_presences(flags, 0.1, correlation=1.0).p == pytest.approx(0.7)
    assert pool_presences(flags, 0.1, correlation=0.0).p > 0.999


def test_the_form_is_pooled() -> None:
    wire = {Form.WIRE: 0.6, Form.STRANDED: 0.4}
    pooled = pool_findings([piece(wire), piece(wire)]).findings.form
    assert pooled.p[Form.WIRE] > 0.62 and pooled.value is Form.WIRE
    assert sum(pooled.p.values()) == pytest.approx(1)


# -- what was stated, what is missing -----------------------------------------------


def test_what_was_stated_wins() -> None:
    stated = replace(sized(2.0), origin=Origin.STATED)
    pooled = pool_findings(
        [
            replace(piece(diameter=sized(1.6), magnet="free"), brass=Presence(p=0.9)),
            replace(
                piece(Form.TUBE, diameter=stated, oil=True),
                form=FormFinding.of(Form.TUBE),
                brass=Presence(p=0.0, origin=Origin.STATED),
            ),
        ]
    ).findings
    assert pooled.diameter == stated
    assert pooled.form.stated and pooled.form.value is Form.TUBE
    assert pooled.brass == Presence(p=0.0, origin=Origin.STATED)
    assert pooled.facts == Facts(magnet=Magnet("free"), oil=True)


def test_stating_two_things_is_refused() -> None:
    with pytest.raises(ContractError, match="oil"):
        pool_findings([piece(oil=True), piece(oil=False)])
    with pytest.raises(ContractError, match="form"):
        pool_findings([replace(piece(), form=FormFinding.of(f)) for f in (Form.TUBE, Form.WIRE)])
    with pytest.raises(ContractError):
        pool_presences(
            [Presence(p=p, origin=Origin.STATED) for p in (0.0, 1.0)], 0.1, correlation=0.5
        )
    with pytest.raises(ContractError):
        pool_findings([])
    with pytest.raises(ContractError):
        pool_findings([piece()], correlation=1.1)


def test_what_one_photo_lacks_comes_from_the_other() -> None:
    bare = piece(Form.TUBE, shares=None)
    full = piece(Form.TUBE, diameter=sized(15.0), shares={Finish.TARNISHED: 1.0}, level=0.5)
    pooled = pool_findings([bare, full])
    assert pooled.findings.diameter == full.diameter
    assert pooled.findings.finish == full.finish
    assert pooled.agreement == {}
    assert pool_findings([bare, bare]).findings.finish is None


def test_one_photo_says_what_it_says() -> None:
    one = piece(diameter=sized(1.6), brass=0.3, solder=0.2, oil=True)
    assert pool_findings([one]).findings == one


def test_an_error_that_all_share_is_no_disagreement() -> None:
    shared = np.full((3, 3), 0.5**2)
    found = agreement_of(np.array([1.0, 1.02, 0.98]), np.diag([0.02**2] * 3) + shared)
    assert found.chi2 == pytest.approx(2.0, rel=0.01)


def test_presence_is_pooled_with_the_rate_it_was_learned_with() -> None:
    # Two photos at 0.8 where half had it, r = 0: log odds 2 log 4 = log 16, so 16/17; where
    # 0.8 was the base rate already, two photos that say 0.8 say nothing new.
    for learned, expected in ((0.5, 16 / 17), (0.8, 0.8)):
        flag = Presence(p=0.8, share=0.4, u_share=0.1, learned={Form.TUBE: learned})
        one = replace(tube(), coating=flag)
        pooled = pool_findings([one, one], correlation=0.0).findings.coating
        assert pooled is not None
        assert pooled.p == pytest.approx(expected)
        assert (pooled.share, pooled.u_share) == pytest.approx((0.4, 0.1))
        assert pooled.learned == {Form.TUBE: learned}


def test_what_only_one_photo_told_of_comes_from_that_one() -> None:
    jacket = Presence(p=0.9, share=1.0)
    pooled = pool_findings([tube(), replace(tube(), insulation=jacket)]).findings
    assert pooled.insulation is jacket
    assert pooled.coating is None


def test_one_familiar_photo_is_enough() -> None:
    strange = replace(tube(), familiarity=0.2)
    assert pool_findings([strange, tube()]).findings.familiarity == 1.0


def test_outlines_leave_what_all_of_them_allow() -> None:
    def told(*between: tuple[float, float] | None) -> tuple[float, float] | None:
        several = [replace(tube(), width_between_mm=one) for one in between]
        return pool_findings(several).findings.width_between_mm

    assert told((1.0, 3.0), None, (2.0, 4.0)) == (2.0, 3.0)
    assert told((1.0, 2.0), (3.0, 4.0)) is None  # of two different things, it seems
    assert told(None, None) is None


def test_one_photo_on_which_it_lies_apart_is_enough() -> None:
    crossed = replace(tube(), one_piece=0.4)
    assert pool_findings([crossed, crossed]).findings.one_piece == 0.4
    assert pool_findings([crossed, tube()]).findings.one_piece == 1.0
