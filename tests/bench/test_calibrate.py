"""What the fit of the confidence gives for pieces whose truth is known by construction.

Sources: Guo et al. 2017 (temperature); Vovk, Gammerman and Shafer 2005, section 4.5
(conformal limits class by class); E. B. Wilson 1927 (interval of a share; 0 of 100 gives
0 to 3.7 % in any table).
"""

from __future__ import annotations

import tomllib
from typing import Any

import numpy as np
import pytest

from bench.calibrate import (
    Graded,
    as_toml,
    conformal,
    decide_limit,
    decided,
    ece,
    fit,
    graded,
    left_out,
)

GRADES = ("bare_bright", "no1", "no2")


def drawn(count: int, *, power: float = 1.0, kind: str = "advised", seed: int = 1) -> Graded:
    """Return pieces whose truth is drawn from p, but which say p to a power."""
    rng = np.random.default_rng(seed)
    p = rng.dirichlet([0.4] * len(GRADES), count)
    truth = np.array([rng.choice(len(GRADES), p=row) for row in p])
    said = p**power
    return Graded(
        p=said / said.sum(axis=1, keepdims=True),
        truth=truth,
        grades=GRADES,
        photos=tuple(f"{i // 2}.jpg" for i in range(count)),
        kinds=(kind,) * count,
    )


def test_honest_pieces_need_no_correction() -> None:
    fitted = fit(drawn(1500))
    assert fitted.temperature == pytest.approx(1.0, abs=0.1)
    assert fitted.lapse <= 0.02


def test_pieces_that_say_too_much_are_softened_back() -> None:
    loud = drawn(1500, power=2.0)  # squares what it should say, which a temperature of 2 undoes
    assert fit(loud).temperature == pytest.approx(2.0, rel=0.15)
    assert ece(left_out(loud)) < ece(loud)


def test_95_in_100_true_grades_of_each_grade_reach_its_limit() -> None:
    pieces = drawn(1200)
    fitted = fit(pieces)
    told = fitted.applied(pieces.p)
    for column, grade in enumerate(GRADES):
        own = told[pieces.truth == column, column]
        assert (own >= fitted.plausible_p_of[grade]).mean() == pytest.approx(0.95, abs=0.01)


def test_a_grade_of_few_pieces_has_no_limit_of_its_own() -> None:
    pieces = drawn(300)
    keep = (pieces.truth != 2) | (np.cumsum(pieces.truth == 2) <= 18)
    assert set(fit(pieces.of(keep)).plausible_p_of) == {"bare_bright", "no1"}
    assert conformal(np.full(18, 0.4)) == 0.0, "1 of 19 is more than 5 %"
    assert conformal(np.full(19, 0.4)) == 0.4


def test_the_limit_keeps_the_risk_that_each_kind_is_asked() -> None:
    # Sure pieces are right; of those that say 0.85 every tenth is wrong.
    sure = np.tile([0.97, 0.02, 0.01], (200, 1))
    shaky = np.tile([0.85, 0.1, 0.05], (100, 1))
    truth = np.zeros(300, np.int64)
    truth[200::10] = 1
    for kind in ("advised", "hard"):
        pieces = Graded(
            p=np.concatenate([sure, shaky]),
            truth=truth,
            grades=GRADES,
            photos=tuple(map(str, range(300))),
            kinds=(kind,) * 300,
        )
        limit = decide_limit(pieces)
        assert 0.85 < limit <= 0.97
        assert decided(pieces, limit) == (200, 0)


def test_one_miss_among_few_does_not_stop_all_deciding() -> None:
    p = np.tile([0.97, 0.02, 0.01], (40, 1))
    truth = np.zeros(40, np.int64)
    truth[3] = 1
    few = Graded(p=p, truth=truth, grades=GRADES, photos=("a",) * 40, kinds=("advised",) * 40)
    assert decide_limit(few) < 0.97
    truth[7] = 2
    assert decide_limit(few) > 0.97


def test_what_is_written_reads_back_with_photos_and_mix() -> None:
    pieces = drawn(100)
    told = tomllib.loads(as_toml(fit(pieces), pieces, name="drawn"))
    assert told["photos"] == 50
    assert told["mix"] == "100 pieces advised"
    assert set(told["plausible_p_of"]) <= set(GRADES)


def test_only_familiar_pieces_of_known_grade_are_fitted() -> None:
    known, guess = {"guess": False}, {"guess": True}
    found: dict[str, Any] = {
        "grade": known,
        "kind": "piece",
        "photo": "a",
        "mix": "hard",
        "raw_p": {"no1": 1.0},
    }
    rows: list[dict[str, Any]] = [
        {**found, "true_grade": "no1"},
        {**found, "true_grade": None},
        {"kind": "extra"},
    ]
    rows.append({**found, "true_grade": "no1", "grade": guess, "photo": "c"})
    rows.append({"kind": "piece", "photo": "b", "mix": "hard", "true_grade": "no1"})
    assert graded(rows).photos == ("hard/a",)
