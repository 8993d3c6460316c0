"""The contract between photo and rules: JCGM's own figures, and what no piece can be."""

from __future__ import annotations

import inspect
from dataclasses import fields, is_dataclass, replace
from math import inf, nan
from statistics import NormalDist
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import rules.findings
from rules.errors import ContractError
from rules.findings import (
    K95,
    Facts,
    Findings,
    Finish,
    FinishFinding,
    Form,
    FormFinding,
    Measurement,
    Presence,
    Unit,
    What,
)
from tests.rules.pieces import mm, piece, tube

RATES = st.floats(0.001, 0.999)


@given(st.floats(-100, 100), st.floats(1e-6, 10))
def test_the_interval_holds_95_in_100_of_a_normal_doubt(value: float, u: float) -> None:
    """JCGM 100:2008, table G.1, against the normal distribution of the standard library."""
    measured = Measurement.normal(value, u, Unit.MILLIMETRE)
    doubt = NormalDist(value, u)
    inside = doubt.cdf(measured.high95) - doubt.cdf(measured.low95)
    assert inside == pytest.approx(0.95, abs=2e-4)


def test_the_factor_is_the_tables_to_its_own_digits() -> None:
    assert pytest.approx(NormalDist().inv_cdf(0.975), abs=0.005) == K95


@pytest.mark.parametrize(
    "wrong",
    [
        {"value": nan},
        {"value": inf},
        {"u": -0.01},
        {"u": nan},
        {"u": inf},
        {"low95": 2.01},
        {"high95": 1.99},
        {"low95": nan},
    ],
)
def test_a_measurement_that_can_not_be_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ContractError):
        replace(mm(2.0), **wrong)


@pytest.mark.parametrize("p", [-0.01, 1.01, nan, inf])
def test_what_is_no_probability_is_refused_wherever_it_stands(p: float) -> None:
    for build in (
        lambda: Presence(p=p),
        lambda: Presence(p=0.5, share=p),
        lambda: Presence(p=0.5, u_share=p),
        lambda: FormFinding(p={Form.WIRE: p, Form.TUBE: 1 - p}),
        lambda: replace(piece(), familiarity=p),
        lambda: replace(piece(), one_piece=p),
        lambda: replace(piece().finish, u={Finish.BRIGHT: p}),  # type: ignore[type-var]
    ):
        with pytest.raises(ContractError):
            build()


@pytest.mark.parametrize("between", [(2.0, 1.0), (-0.1, 1.0), (0.0, 0.0), (0.1, inf), (nan, 1.0)])
def test_an_outline_that_can_not_be_is_refused(between: tuple[float, float]) -> None:
    with pytest.raises(ContractError):
        replace(piece(), width_between_mm=between)


@pytest.mark.parametrize("rate", [0.0, 1.0, -0.1, nan])
def test_a_base_rate_is_never_none_and_never_all(rate: float) -> None:
    """The odds of both would not be numbers (Saerens et al. 2002 divides by them)."""
    for name in ("learned", "bench"):
        with pytest.raises(ContractError):
            Presence(p=0.5, **{name: {Form.TUBE: rate}})  # type: ignore[arg-type]
    with pytest.raises(ContractError):
        FormFinding(p={Form.TUBE: 1.0}, learned={Form.TUBE: rate})


@pytest.mark.parametrize("total", [0.9, 1.1])
def test_shares_and_forms_add_up_to_one(total: float) -> None:
    with pytest.raises(ContractError, match="add up"):
        FormFinding(p={Form.WIRE: total / 2, Form.TUBE: total / 2})
    with pytest.raises(ContractError, match="add up"):
        FinishFinding(
            shares={Finish.BRIGHT: total / 2, Finish.GREEN: total / 2},
            u={},
            tarnish_level=Measurement.normal(0.2, 0.1, Unit.ONE),
        )


def test_a_diameter_is_a_length_above_nothing() -> None:
    for name in ("diameter", "strand_diameter"):
        share: dict[str, Any] = {name: Measurement.normal(2.0, 0.1, Unit.ONE)}
        nothing: dict[str, Any] = {name: mm(0.0)}
        with pytest.raises(ContractError, match="mm"):
            replace(piece(), **share)
        with pytest.raises(ContractError, match="above 0"):
            replace(piece(), **nothing)
    for weight in (0.0, -1.0, nan, inf):
        with pytest.raises(ContractError, match="weight"):
            Facts(weight_kg=weight)


@given(RATES, RATES, st.floats(0, 1))
def test_another_base_rate_turns_the_odds_by_bayes(
    learned: float, bench: float, likelihood: float
) -> None:
    """An eye that is right by Bayes under one rate is right under the other.

    The likelihood ratio of what it saw is the same on both benches; Bayes' theorem
    gives the probability of each.
    """

    def by_bayes(rate: float) -> float:
        return rate * likelihood / (rate * likelihood + (1 - rate) * (1 - likelihood))

    seen = Presence(p=by_bayes(learned), learned={Form.TUBE: learned}, bench={Form.TUBE: bench})
    assert seen.p_given(Form.TUBE) == pytest.approx(by_bayes(bench), abs=1e-9)
    assert seen.p_given(Form.WIRE) == seen.p  # nobody told a rate of that form


def test_what_may_be_there_is_told_over_the_forms_it_may_have() -> None:
    """The law of total probability, by hand: 0.75 x 0.5 + 0.25 x 1/7 (1/1 x 1/9 : 4/6 is 1/6)."""
    brass = Presence(p=0.5, learned={Form.TUBE: 0.4}, bench={Form.TUBE: 0.1})
    either = replace(piece({Form.WIRE: 0.75, Form.TUBE: 0.25}), brass=brass)
    assert either.p_of(What.BRASS) == pytest.approx(0.75 * 0.5 + 0.25 / 7)
    assert either.p_of(What.TIN) == 0.0
    assert What.TIN not in either.seen


def test_a_stated_form_is_certain_and_the_most_likely_one_is_the_value() -> None:
    assert FormFinding.of(Form.TUBE).p[Form.TUBE] == 1.0
    assert FormFinding.of(Form.TUBE).stated
    assert FormFinding(p={Form.SHEET: 0.4, Form.TUBE: 0.6}).value is Form.TUBE


def test_nothing_in_the_contract_can_be_changed_afterwards() -> None:
    kinds = [k for _, k in inspect.getmembers(rules.findings, is_dataclass)]
    assert Findings in kinds and len(kinds) >= 6
    for kind in kinds:
        assert getattr(kind, "__dataclass_params__").frozen, kind  # noqa: B009 (typeshed lacks it)
        assert all(field.kw_only for field in fields(kind)), kind
    with pytest.raises(AttributeError):
        tube().familiarity = 0.1  # type: ignore[misc]
