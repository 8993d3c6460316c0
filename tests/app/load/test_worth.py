"""What a lift is worth: worked by hand, against brute force, and what never happens."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.load.units import LoadError
from app.load.worth import (
    Job,
    Work,
    Yield,
    break_even,
    minutes_of,
    plan_evening,
    work_of,
    worth_of,
    yield_of,
)
from rules.table import Lift

PER_KG = {
    "bare_bright": 8.0,
    "no1": 7.0,
    "no2": 5.0,
    "set_aside": 1.0,
    "insulated": 2.0,
    "brass": 4.0,
}


def lift(*clears: str, minutes: float = 2.0, to: str = "no1") -> Lift:
    return Lift(action="do it", to=to, minutes=minutes, clears=clears)


def job(
    name: str = "a",
    *,
    kg: float = 2.0,
    minutes: float = 3.0,
    becomes: Yield | None = None,
    now: str = "no2",
    then: str = "no1",
) -> Job:
    return Job(
        piece=name,
        name=name,
        action="do it",
        work=Work.CUT,
        minutes=minutes,
        kg=kg,
        now={now: 1.0},
        then={then: 1.0},
        becomes=becomes or Yield(rises=1.0),
    )


def test_cutting_a_brass_end_off_by_hand() -> None:
    # 2 kg at 5.00 is 10.00. 80 % rises to 7.00: 1.6 * 7 = 11.20; 20 % is brass at 4.00:
    # 0.4 * 4 = 1.60. Together 12.80, so 2.80 more for 3 minutes: 56.00 an hour.
    worth = worth_of(job(becomes=Yield(rises=0.8, brass=0.2)), per_kg=PER_KG, hourly=20)
    assert worth.gain == pytest.approx(2.80)
    assert worth.an_hour == pytest.approx(56.0)
    assert worth.net == pytest.approx(1.80)  # 2.80 less 3 minutes at 20 an hour
    assert worth.pays
    assert not worth_of(worth.job, per_kg=PER_KG, hourly=57).pays


def test_cutting_solder_leaves_the_offcut_low() -> None:
    # 2 kg: 90 % rises (1.8 * 7 = 12.60), 10 % stays No. 2 (0.2 * 5 = 1.00): 13.60 - 10.00.
    worth = worth_of(job(becomes=Yield(rises=0.9, stays=0.1)), per_kg=PER_KG)
    assert worth.gain == pytest.approx(3.60)


def test_stripping_throws_the_insulation_away() -> None:
    # 4 kg of insulated wire at 2.00 is 8.00; 65 % copper: 2.6 kg at 8.00 is 20.80.
    stripped = job(kg=4, now="insulated", then="bare_bright", becomes=Yield(rises=0.65, waste=0.35))
    worth = worth_of(stripped, per_kg=PER_KG)
    assert worth.gain == pytest.approx(12.80)
    # With 15 % copper it costs: 0.6 kg at 8.00 is 4.80.
    poor = job(kg=4, now="insulated", then="bare_bright", becomes=Yield(rises=0.15, waste=0.85))
    assert worth_of(poor, per_kg=PER_KG).gain == pytest.approx(-3.20)


def test_doubt_about_the_grade_before_and_after_is_weighed_in() -> None:
    # Before: 0.5 * 7 + 0.5 * 5 = 6; after: 0.9 * 7 + 0.1 * 5 = 6.8: 0.8 a kilogram.
    doubtful = Job(
        piece="a", name="a", action="", work=Work.CLEAN, minutes=1, kg=3,
        now={"no1": 0.5, "no2": 0.5}, then={"no1": 0.9, "no2": 0.1}, becomes=Yield(rises=1),
    )  # fmt: skip
    assert worth_of(doubtful, per_kg=PER_KG).gain == pytest.approx(2.4)


@given(
    st.sets(st.sampled_from(["brass", "solder", "insulation", "green_share", "oil"]), min_size=1),
    st.just(0.0) | st.floats(0.001, 1),
    st.just(0.0) | st.floats(0.001, 1),
    st.floats(0.01, 1),
)
def test_the_parts_of_a_piece_add_up_to_the_piece(
    clears: set[str], brass: float, solder: float, recovery: float
) -> None:
    parts = yield_of(
        lift(*sorted(clears)), brass_share=brass, solder_share=solder, recovery=recovery
    )
    assert parts.rises + parts.stays + parts.brass + parts.waste == pytest.approx(1)
    assert parts.rises > 0
    assert (parts.brass > 0) == ("brass" in clears)
    assert (parts.stays > 0) == ("solder" in clears)


def test_stripping_a_long_coil_takes_longer() -> None:
    strip = lift("insulation", minutes=3.0)
    assert [minutes_of(strip, kg=kg) for kg in (0.1, 0.5, 2.0)] == [3.0, 3.0, 12.0]
    assert minutes_of(lift("solder", minutes=2.0), kg=50) == 2.0


def test_parts_that_make_up_mass_are_refused() -> None:
    with pytest.raises(LoadError):
        Yield(rises=0.9, brass=0.2)
    with pytest.raises(LoadError):
        Yield(rises=1.1, waste=-0.1)


def test_kinds_of_work() -> None:
    assert work_of(lift("solder")) is Work.CUT
    assert work_of(lift("insulation", "solder")) is Work.STRIP
    assert work_of(lift("green_share")) is Work.CLEAN


jobs = st.builds(
    lambda name, kg, minutes, then: job(str(name), kg=kg / 10, minutes=minutes / 2, then=then),
    st.integers(0, 4),
    st.integers(1, 60),
    st.integers(0, 12),
    st.sampled_from(["no1", "bare_bright", "no2"]),
)


@settings(max_examples=80, deadline=None)
@given(st.lists(jobs, max_size=7), st.integers(0, 30), st.sampled_from([0.0, 15.0, 60.0]))
def test_no_other_evening_nets_more(listed: list[Job], limit: int, hourly: float) -> None:
    by_piece: dict[str, list[Job]] = {}
    for one in listed:
        by_piece.setdefault(one.piece, []).append(one)
    best = 0.0
    for picked in product(*[[None, *group] for group in by_piece.values()]):
        taken = [one for one in picked if one is not None]
        if sum(one.minutes for one in taken) <= limit:
            nets = [worth_of(one, per_kg=PER_KG, hourly=hourly).net for one in taken]
            best = max(best, sum(nets))
    evening = plan_evening(listed, per_kg=PER_KG, limit_minutes=limit, hourly=hourly)
    assert evening.minutes <= limit
    assert sum(one.net for one in evening.chosen) == pytest.approx(best)
    assert all(one.an_hour >= hourly for one in evening.chosen)
    assert {one.job.piece for one in (*evening.chosen, *evening.left_out)} == set(by_piece)
    rates = [one.an_hour for one in evening.chosen]
    assert rates == sorted(rates, reverse=True)


def test_break_even_weight_is_where_the_job_pays_exactly_the_hour() -> None:
    # 2.00 a kilogram between No. 2 and No. 1, all of it rises, 3 minutes at 20 an hour is
    # 1.00: half a kilogram.
    found = break_even(
        Work.CLEAN, minutes=3, becomes=Yield(rises=1), from_grade="no2", to_grade="no1",
        per_kg=PER_KG, hourly=20,
    )  # fmt: skip
    assert found.gap_per_kg == pytest.approx(2.0)
    assert found.least_kg == pytest.approx(0.5)
    at = worth_of(job(kg=0.5), per_kg=PER_KG, hourly=20)
    assert at.net == pytest.approx(0)
    weights = [kg for _, kg in found.curve]
    assert weights == sorted(weights, reverse=True), "a wider gap needs less weight"


def test_a_job_that_loses_by_the_kilogram_never_breaks_even() -> None:
    found = break_even(
        Work.STRIP, minutes=3, becomes=Yield(rises=0.15, waste=0.85), from_grade="insulated",
        to_grade="bare_bright", per_kg=PER_KG, hourly=20,
    )  # fmt: skip
    assert found.least_kg is None
