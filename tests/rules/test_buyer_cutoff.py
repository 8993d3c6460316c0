"""A buyer's own tarnish cut-off: right in simulation, honest about what it knows."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log, sqrt

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize
from scipy.stats import norm, truncnorm

from rules.buyer_cutoff import (
    PRIOR_BLUR,
    PRIOR_BLUR_LOG_SD,
    PRIOR_SD,
    BuyerCutoff,
    TarnishOutcome,
    cutoff_posterior,
    learn_cutoff,
    outcome_of,
    with_cutoff,
)
from rules.engine import grade
from rules.errors import ContractError
from rules.findings import Findings, Finish, Form
from rules.sheet import load_sheet
from tests.rules.pieces import SHINY, mm, piece, tube

HOUSE = load_sheet("house")
CUTOFFS, BLURS = np.linspace(0, 1, 201), np.geomspace(0.008, 0.4, 19)


def buyer(
    cutoff: float, number: int, seed: int, *, blur: float = 0.04, u: float = 0.06
) -> list[TarnishOutcome]:
    """Outcomes at a buyer of known cut-off: levels seen with their error, as a photo would."""
    rng = np.random.default_rng(seed)
    true = rng.uniform(0, 0.7, number)
    taken = rng.random(number) < 1 / (1 + np.exp((true - cutoff) / blur))
    seen = np.clip(true + rng.normal(0, u, number), 0, 1)
    return [
        TarnishOutcome(level=float(x), u=u, accepted=bool(a))
        for x, a in zip(seen, taken, strict=True)
    ]


def told(outcomes: list[TarnishOutcome]) -> BuyerCutoff:
    return learn_cutoff(outcomes, HOUSE)


# -- against references -------------------------------------------------------------


def test_the_most_likely_point_is_what_an_optimiser_finds() -> None:
    # scipy.optimize on the same log posterior, levels known exactly.
    outcomes = buyer(0.4, 60, 3, u=0.0)
    x = np.array([o.level for o in outcomes])
    sign = np.array([1.0 if o.accepted else -1.0 for o in outcomes])

    def minus_log_posterior(at: np.ndarray) -> float:
        cutoff, log_blur = at
        likelihood = np.logaddexp(0, sign * (x - cutoff) / exp(log_blur)).sum()
        prior = ((cutoff - 0.25) / PRIOR_SD) ** 2
        prior += ((log_blur - log(PRIOR_BLUR)) / PRIOR_BLUR_LOG_SD) ** 2
        return float(likelihood + prior / 2)

    best = minimize(minus_log_posterior, [0.3, log(0.05)], method="Nelder-Mead").x
    grid = cutoff_posterior(outcomes, centre=0.25)
    i, j = np.unravel_index(int(np.argmax(grid)), grid.shape)
    assert CUTOFFS[i] == pytest.approx(best[0], abs=0.005)
    assert log(BLURS[j]) == pytest.approx(best[1], abs=log(BLURS[1] / BLURS[0]))


def test_mean_and_interval_are_what_integration_gives() -> None:
    # One outcome of uncertain level: scipy.integrate over level, blur and cut-off.
    seen = TarnishOutcome(level=0.35, u=0.1, accepted=True)
    level = truncnorm(-0.35 / 0.1, 0.65 / 0.1, loc=0.35, scale=0.1)
    levels = np.linspace(0, 1, 1001)
    density = level.pdf(levels) / level.pdf(levels).sum()
    log_blurs = np.linspace(log(0.008), log(0.4), 201)
    prior_blur = norm.pdf(log_blurs, log(PRIOR_BLUR), PRIOR_BLUR_LOG_SD)

    def posterior(cutoff: float) -> float:
        away = (levels[None, :] - cutoff) / np.exp(log_blurs)[:, None]
        taken = (density / (1 + np.exp(np.clip(away, -60, 60)))).sum(axis=1)
        return float((taken * prior_blur).sum() * norm.pdf(cutoff, 0.25, PRIOR_SD))

    whole = quad(posterior, 0, 1, epsabs=1e-6, limit=60)[0]
    mean = quad(lambda c: c * posterior(c), 0, 1, epsabs=1e-6, limit=60)[0] / whole
    found = told([seen])
    assert found.value == pytest.approx(mean, abs=0.002)
    for end, below in ((found.low95, 0.025), (found.high95, 0.975)):
        part = quad(posterior, 0, end, epsabs=1e-6, limit=60)[0] / whole
        assert part == pytest.approx(below, abs=0.004)


def test_without_outcomes_it_is_the_prior() -> None:
    found = told([])
    prior = truncnorm(-0.25 / PRIOR_SD, 0.75 / PRIOR_SD, loc=0.25, scale=PRIOR_SD)
    assert found.value == pytest.approx(prior.mean(), abs=0.002)
    assert found.u == pytest.approx(prior.std(), abs=0.002)
    assert (found.low95, found.high95) == pytest.approx(prior.ppf([0.025, 0.975]), abs=0.004)


# -- simulation ---------------------------------------------------------------------


def test_the_interval_covers_cutoffs_drawn_from_the_prior() -> None:
    # A Bayesian interval covers 95 % exactly on average over its own prior; 60 tries
    # scatter by 2.8 %, so three of these below.
    rng = np.random.default_rng(5)
    inside, tries = 0, 60
    for seed in range(tries):
        cutoff = -1.0
        while not 0 <= cutoff <= 1:
            cutoff = rng.normal(0.25, PRIOR_SD)
        blur = float(np.clip(PRIOR_BLUR * exp(PRIOR_BLUR_LOG_SD * rng.normal()), 0.008, 0.4))
        found = told(buyer(cutoff, 15, seed, blur=blur))
        inside += found.low95 <= cutoff <= found.high95
    assert inside / tries > 0.89


@pytest.mark.parametrize("cutoff", [0.15, 0.35, 0.5])
def test_many_outcomes_find_the_cutoff_wherever_the_sheet_has_it(cutoff: float) -> None:
    found = [told(buyer(cutoff, 120, seed)) for seed in range(4)]
    assert np.mean([f.value for f in found]) == pytest.approx(cutoff, abs=0.03)
    assert all(f.usable and f.high95 - f.low95 < 0.12 for f in found)
    error = [(f.value - cutoff) / f.u for f in found]
    assert sqrt(np.mean(np.square(error))) < 2


def test_errors_in_the_level_are_counted_in() -> None:
    # The same outcomes, believed to be exact: the interval is then too narrow.
    blurred = buyer(0.35, 40, 8, u=0.15)
    exact = [replace(o, u=0.0) for o in blurred]
    honest, rash = told(blurred), told(exact)
    assert honest.blur < rash.blur, "errors of ours are taken for the buyer's mood"
    assert honest.outcomes == rash.outcomes == 40


# -- relations ----------------------------------------------------------------------


def test_more_outcomes_narrow_it() -> None:
    outcomes = buyer(0.35, 160, 9)
    widths = [told(outcomes[:n]) for n in (0, 10, 40, 160)]
    assert [w.u for w in widths] == sorted((w.u for w in widths), reverse=True)
    assert widths[-1].u < widths[0].u / 4


def test_accepting_a_duller_piece_moves_it_up() -> None:
    base = buyer(0.3, 12, 10)
    more = [*base, TarnishOutcome(level=0.6, u=0.05, accepted=True)]
    less = [*base, TarnishOutcome(level=0.1, u=0.05, accepted=False)]
    assert told(less).value < told(base).value < told(more).value


def test_fewer_than_ten_outcomes_are_shown_not_used() -> None:
    outcomes = buyer(0.35, 200, 11, u=0.02, blur=0.02)
    near = [o for o in outcomes if abs(o.level - 0.35) < 0.1]
    nine, ten = told(near[:9]), told(near[:10])
    assert not nine.usable and "9 of the 10" in nine.why
    assert 0.25 < nine.value < 0.45
    assert ten.usable, ten.why


def test_one_sided_outcomes_are_not_used() -> None:
    taken = [TarnishOutcome(level=x, u=0.03, accepted=True) for x in np.linspace(0, 0.3, 30)]
    found = told(taken)
    assert not found.usable and "turned down" in found.why
    refused = told([replace(o, accepted=False) for o in taken])
    assert not refused.usable and "accepted" in refused.why


def test_a_wide_interval_is_not_used() -> None:
    vague = [TarnishOutcome(level=x, u=0.3, accepted=x < 0.4) for x in np.linspace(0, 0.8, 12)]
    found = told(vague)
    assert found.outcomes >= 10 and not found.usable and "within" in found.why


def test_only_the_latest_outcomes_count() -> None:
    old, new = buyer(0.55, 450, 12), buyer(0.2, 400, 13)
    assert told([*old, *new]) == told(new)


# -- which outcomes tell something ---------------------------------------------------


@pytest.mark.parametrize(
    ("findings", "graded", "accepted"),
    [
        (piece(level=0.3, shares={Finish.TARNISHED: 1.0}), "bare_bright", True),
        (piece(level=0.1), "no1", False),
        (piece(level=0.9, shares={Finish.TARNISHED: 1.0}), "no1", False),
        (piece(level=0.1), "no2", None),  # turned down for something else
        (tube(level=0.1), "no1", None),  # tube is never bare bright
        (piece(level=0.1, diameter=mm(1.0)), "no2", None),  # too thin, however bright
        (piece(level=0.1, motor_wire=True), "no2", None),
        (piece(level=0.1, brass=0.9), "no2", None),
        (piece(shares=None), "bare_bright", None),
        (piece(Form.STRANDED, strand=mm(1.5), level=0.2), "bare_bright", True),
    ],
)
def test_only_where_tarnish_decides_an_outcome_counts(
    findings: Findings, graded: str, accepted: bool | None
) -> None:
    outcome = outcome_of(findings, graded, HOUSE)
    assert (None if outcome is None else outcome.accepted) is accepted


def test_the_limit_of_no1_can_be_learned_too() -> None:
    dull = tube(level=0.8, shares={Finish.TARNISHED: 1.0})
    outcome = outcome_of(dull, "no1", HOUSE, limit="no1_tarnish")
    assert outcome is not None and outcome.accepted and outcome.level == 0.8
    assert outcome_of(dull, "no1", HOUSE) is None


# -- in the sheet -------------------------------------------------------------------


def test_the_cutoff_stands_in_for_the_sheets() -> None:
    found = told(buyer(0.45, 80, 14, u=0.03))
    own = with_cutoff(HOUSE, found, buyer="the yard by the bridge")
    assert own.limits["bare_bright_tarnish"].value == pytest.approx(found.value, abs=1e-4)
    assert own.based_on == "house" and own.name != HOUSE.name
    dull = piece(level=0.36, shares=SHINY, u_level=0.02)
    assert grade(dull, HOUSE).suggested == "no1"
    assert grade(dull, own).suggested == "bare_bright"
    assert HOUSE.limits["bare_bright_tarnish"].value == 0.25


def test_a_cutoff_that_may_not_be_used_is_refused() -> None:
    with pytest.raises(ContractError, match="not used"):
        with_cutoff(HOUSE, told(buyer(0.45, 5, 15)), buyer="x")
    swallowed = replace(told(buyer(0.45, 80, 14)), value=1.0, limit="no1_tarnish")
    with pytest.raises(ContractError, match="heavy-tarnish"):
        with_cutoff(HOUSE, swallowed, buyer="x")


@pytest.mark.parametrize("limit", ["strand", "shiny", "nothing"])
def test_only_tarnish_limits_can_be_learned(limit: str) -> None:
    with pytest.raises(ContractError):
        learn_cutoff([], HOUSE, limit=limit)


def test_an_outcome_that_can_t_be_is_refused() -> None:
    for level, u in ((-0.1, 0.1), (1.1, 0.1), (0.5, -0.1), (0.5, float("nan"))):
        with pytest.raises(ContractError):
            TarnishOutcome(level=level, u=u, accepted=True)
