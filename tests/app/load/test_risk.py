"""Bin risk: hand-worked chances, brute force over every outcome, and simulation."""

from __future__ import annotations

from itertools import chain, combinations, pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.load.risk import (
    EXACT_UP_TO,
    RiskPiece,
    bin_risk,
    grades_paid,
    plan_pulls,
    wrong_count,
)
from app.load.units import LoadError

PER_KG = (8.0, 7.0, 5.0, 1.0)


def piece(number: int, p: tuple[float, ...], kg: float = 1.0) -> RiskPiece:
    apart = kg * sum(one * pay for one, pay in zip(p, PER_KG, strict=True))
    return RiskPiece(id=f"p{number}", p=p, kg=kg, apart=apart)


@st.composite
def bins(draw: st.DrawFn, most: int = 5) -> list[RiskPiece]:
    made = []
    for number in range(draw(st.integers(0, most))):
        raw = [draw(st.floats(0.01, 1.0)) ** 3 for _ in PER_KG]
        p = tuple(one / sum(raw) for one in raw)
        made.append(piece(number, p, draw(st.floats(0.05, 3.0))))
    return made


def every_outcome(
    pieces: list[RiskPiece], *, label: int, forgiven: int
) -> tuple[list[float], float]:
    """The chances by going through every outcome: 4 to the power of the pieces."""
    chances = [0.0] * len(PER_KG)
    for ranks in product(range(len(PER_KG)), repeat=len(pieces)):
        p = float(np.prod([one.p[rank] for one, rank in zip(pieces, ranks, strict=True)]))
        wrong = [rank for rank in ranks if rank > label]
        chances[max(ranks) if len(wrong) > forgiven else label] += p
    kg = sum(one.kg for one in pieces)
    return chances, kg * sum(c * pay for c, pay in zip(chances, PER_KG, strict=True))


def test_two_of_ten_pieces_in_doubt_by_hand() -> None:
    # Eight sure No. 1 of 1 kg and two that are No. 2 with 0.1 and 0.2.
    # The bin holds with 0.9 * 0.8 = 0.72, falls to No. 2 with 0.28.
    # Expected: 10 kg * (0.72 * 7 + 0.28 * 5) = 10 * (5.04 + 1.40) = 64.40.
    sure = [piece(i, (0, 1, 0, 0)) for i in range(8)]
    doubtful = [piece(8, (0, 0.9, 0.1, 0)), piece(9, (0, 0.8, 0.2, 0))]
    risk = bin_risk(sure + doubtful, label=1, per_kg=PER_KG, forgiven=0)
    assert risk.p_downgrade == pytest.approx(0.28)
    assert risk.expected == pytest.approx(64.40)
    # One overlooked: it takes both to be wrong, 0.1 * 0.2 = 0.02.
    forgiving = bin_risk(sure + doubtful, label=1, per_kg=PER_KG, forgiven=1)
    assert forgiving.p_downgrade == pytest.approx(0.02)
    assert forgiving.p_wrong == pytest.approx((0.72, 0.26, 0.02))


def test_the_worse_of_two_wrong_grades_decides() -> None:
    # No. 2 with 0.3; set aside with 0.2: lowest is set aside 0.2, No. 2 0.8 * 0.3 = 0.24.
    pieces = [piece(0, (0, 0.7, 0.3, 0)), piece(1, (0, 0.8, 0, 0.2))]
    risk = bin_risk(pieces, label=1, per_kg=PER_KG, forgiven=0)
    assert risk.p_grade == pytest.approx((0, 0.56, 0.24, 0.20))


def test_equal_chances_give_the_binomial() -> None:
    # Binomial(5, 0.2): 0.32768, 0.4096, 0.2048, then 1 - the sum = 0.05792.
    assert wrong_count([0.2] * 5, most=2) == pytest.approx([0.32768, 0.4096, 0.2048, 0.05792])


@settings(max_examples=60, deadline=None)
@given(bins(), st.integers(0, 3), st.integers(0, 3))
def test_chances_agree_with_going_through_every_outcome(
    pieces: list[RiskPiece], label: int, forgiven: int
) -> None:
    risk = bin_risk(pieces, label=label, per_kg=PER_KG, forgiven=forgiven)
    if not pieces:
        assert risk.p_grade[label] == 1.0
        return
    chances, expected = every_outcome(pieces, label=label, forgiven=forgiven)
    assert risk.p_grade == pytest.approx(chances, abs=1e-12)
    assert risk.expected == pytest.approx(expected, rel=1e-9)


def test_chances_agree_with_a_simulation_of_a_large_bin() -> None:
    rng = np.random.default_rng(11)
    p = rng.dirichlet((1.0, 60.0, 2.0, 0.5), size=120)
    pieces = [piece(i, tuple(row)) for i, row in enumerate(p)]
    draws = 20_000
    ranks = np.stack([rng.choice(4, size=draws, p=row) for row in p], axis=1)
    for forgiven in (0, 3, 6):
        paid = grades_paid(ranks, label=1, forgiven=forgiven)
        seen = np.bincount(paid, minlength=4) / draws
        told = bin_risk(pieces, label=1, per_kg=PER_KG, forgiven=forgiven).p_grade
        # Three standard deviations of a share of 20,000 draws: 0.0106 at most.
        assert np.abs(seen - told).max() < 0.0106


@settings(max_examples=40, deadline=None)
@given(bins(4), st.integers(0, 2), st.integers(0, 2))
def test_the_pulled_pieces_are_the_best_of_all_combinations(
    pieces: list[RiskPiece], label: int, forgiven: int
) -> None:
    plan = plan_pulls(pieces, label=label, per_kg=PER_KG, forgiven=forgiven)
    best = -np.inf
    for out in chain.from_iterable(combinations(pieces, n) for n in range(len(pieces) + 1)):
        kept = [one for one in pieces if one not in out]
        _, inside = every_outcome(kept, label=label, forgiven=forgiven) if kept else ([], 0.0)
        best = max(best, inside + sum(one.apart for one in out))
    assert plan.before.expected + plan.gain == pytest.approx(best, abs=1e-4)
    assert plan.gain == pytest.approx(sum(pull.gain for pull in plan.pulls), abs=1e-9)


def test_two_rotten_pieces_come_out_although_one_alone_helps_nothing() -> None:
    pieces = [piece(i, (0, 1, 0, 0)) for i in range(10)]
    pieces += [piece(10, (0, 0.02, 0.98, 0)), piece(11, (0, 0.01, 0.99, 0))]
    plan = plan_pulls(pieces, label=1, per_kg=PER_KG, forgiven=0)
    assert {pull.id for pull in plan.pulls} == {"p10", "p11"}
    assert plan.alone["p10"] < 1.0
    assert plan.after.p_downgrade == pytest.approx(0.0)


def test_a_large_bin_is_searched_as_well_as_all_combinations_would() -> None:
    # The same thirteen doubtful pieces, once searched, once with every set tried by hand.
    rng = np.random.default_rng(5)
    pieces = [piece(i, (0, 1, 0, 0), 2.0) for i in range(10)]
    for i in range(EXACT_UP_TO + 1):
        wrong = float(rng.uniform(0.01, 0.9))
        pieces.append(piece(10 + i, (0, 1 - wrong, wrong, 0), float(rng.uniform(0.1, 2))))
    plan = plan_pulls(pieces, label=1, per_kg=PER_KG, forgiven=0)
    assert not plan.is_exact
    best = 0.0
    doubtful = pieces[10:]
    for number in range(2 ** len(doubtful)):
        kept = [one for bit, one in enumerate(doubtful) if not number >> bit & 1]
        out = sum(one.apart for bit, one in enumerate(doubtful) if number >> bit & 1)
        holds = float(np.prod([one.p[1] for one in kept]))
        kg = 20.0 + sum(one.kg for one in kept)
        best = max(best, kg * (7 * holds + 5 * (1 - holds)) + out)
    assert plan.before.expected + plan.gain == pytest.approx(best, rel=1e-9)


@settings(max_examples=30, deadline=None)
@given(bins(), st.integers(0, 3))
def test_a_more_forgiving_buyer_never_pays_less(pieces: list[RiskPiece], label: int) -> None:
    pays = [bin_risk(pieces, label=label, per_kg=PER_KG, forgiven=k).expected for k in range(4)]
    assert all(a <= b + 1e-9 for a, b in pairwise(pays))


def test_a_label_beyond_the_grades_is_refused() -> None:
    with pytest.raises(LoadError):
        bin_risk([], label=4, per_kg=PER_KG, forgiven=0)
