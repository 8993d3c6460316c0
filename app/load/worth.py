"""Is it worth a minute? What each lift brings at this buyer's prices, and the evening's plan.

A lift turns one piece into parts: what rises, what stays low (the offcut), what is sold
as brass, what is thrown away (insulation). The parts always add up to the piece.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import ceil, inf, isfinite

from app.load.knapsack import Choice, best_choices
from app.load.units import LoadError
from rules.table import Lift

STEP_MINUTES = 0.1
"""Minutes are planned in tenths."""

CUT_SHARE = 0.1
"""Share of a piece that a cut takes off where nothing was measured: common practice, no
source. Two cuts of a centimetre each on a piece of 20 cm."""

CUT_MARGIN = 2.0
"""A cut takes off so many times the area seen as brass or solder: it runs beside it, and
the far side is not seen. Common practice, no source."""

MOST_OFFCUT = 0.6

RECOVERY = 0.65
"""Copper share of insulated wire where nobody weighed any: building wire of 14 to 10 AWG
runs at 0.6 to 0.7; thin cords at 0.3 to 0.5. Common practice, no source: strip and weigh
half a metre to know yours."""


STRIP_KG = 0.5
"""A sheet's minutes for stripping are for so much wire at most; more takes longer in
proportion. Common practice, no source: some ten metres of building wire by hand."""


class Work(StrEnum):
    """What kind of job a lift is."""

    CUT = "cut"
    STRIP = "strip"
    CLEAN = "clean"


_CUTS = {"brass", "solder"}
_STRIPS = {"insulation"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Yield:
    """What becomes of a piece, as shares of its mass; they add up to 1.

    Attributes:
        rises: Goes up to the lift's grade.
        stays: Keeps the piece's grade (the offcut).
        brass: Is sold as brass.
        waste: Is sold as nothing (insulation).
    """

    rises: float
    stays: float = 0.0
    brass: float = 0.0
    waste: float = 0.0

    def __post_init__(self) -> None:
        parts = (self.rises, self.stays, self.brass, self.waste)
        if any(not (isfinite(part) and part >= 0) for part in parts):
            raise LoadError(f"shares can't be below 0: {parts}", where="yield")
        if abs(sum(parts) - 1) > 1e-9:
            raise LoadError(f"shares add up to {sum(parts)}, not 1", where="yield")


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One lift of one piece, with what it takes to price it.

    Attributes:
        piece: Id of the piece.
        name: What the person calls it.
        action: What to do.
        work: Which kind of job.
        minutes: How long.
        kg: The piece's mass.
        now: Probability of each grade as it is.
        then: Probability of each grade of what rises.
        becomes: The parts.
        photo: SHA-256 of the piece's photo, None without one.
        bin: Where the piece lies.
    """

    piece: str
    name: str
    action: str
    work: Work
    minutes: float
    kg: float
    now: Mapping[str, float]
    then: Mapping[str, float]
    becomes: Yield
    photo: str | None = None
    bin: str = ""

    @property
    def to(self) -> str:
        """The grade that what rises most likely reaches."""
        return max(self.then, key=lambda grade: self.then[grade])


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """What a job brings.

    Attributes:
        job: The job.
        gain: Money over leaving the piece as it is; below 0 where it costs.
        an_hour: Gain for each hour of work; infinite for a job that takes no time.
        net: Gain less the person's own time.
        pays: Whether it brings at least the person's own hourly figure.
    """

    job: Job
    gain: float
    an_hour: float
    net: float
    pays: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Evening:
    """What to do in the time there is, best paid first.

    Attributes:
        chosen: The jobs, by what they pay an hour.
        left_out: The best job of each piece that was not chosen, for comparison.
        minutes: Time that the chosen ones take.
        gain: What they bring.
        limit_minutes: The time there was.
        hourly: The person's own figure.
    """

    chosen: tuple[Worth, ...]
    left_out: tuple[Worth, ...]
    minutes: float
    gain: float
    limit_minutes: float
    hourly: float


def work_of(lift: Lift) -> Work:
    """Return what kind of job a lift is; where it is several, the one that loses mass."""
    clears = set(lift.clears)
    if clears & _STRIPS:
        return Work.STRIP
    return Work.CUT if clears & _CUTS else Work.CLEAN


def minutes_of(lift: Lift, *, kg: float) -> float:
    """Return how long a lift of one piece takes; stripping goes by the length of wire."""
    if work_of(lift) is Work.STRIP:
        return lift.minutes * max(1.0, kg / STRIP_KG)
    return lift.minutes


def yield_of(
    lift: Lift,
    *,
    brass_share: float = 0.0,
    solder_share: float = 0.0,
    recovery: float = RECOVERY,
) -> Yield:
    """Return what a piece becomes.

    Args:
        lift: What is done.
        brass_share: Share of the visible area that is brass, 0 where not seen.
        solder_share: The same of solder.
        recovery: Copper share of insulated wire.
    """
    if not 0 < recovery <= 1:
        raise LoadError(f"must be above 0 and at most 1, not {recovery}", where="recovery")
    clears = set(lift.clears)
    waste = 1 - recovery if "insulation" in clears else 0.0
    cuts = {
        "brass": _cut_share(brass_share) if "brass" in clears else 0.0,
        "solder": _cut_share(solder_share) if "solder" in clears else 0.0,
    }
    off = min(MOST_OFFCUT, sum(cuts.values()))
    factor = (1 - waste) * (off / sum(cuts.values()) if off else 0.0)
    brass, stays = cuts["brass"] * factor, cuts["solder"] * factor
    return Yield(rises=1 - waste - brass - stays, stays=stays, brass=brass, waste=waste)


def worth_of(job: Job, *, per_kg: Mapping[str, float], hourly: float = 0.0) -> Worth:
    """Return what a job brings at a buyer's prices.

    Args:
        job: The job.
        per_kg: Pay for a kilogram of each grade, and of ``brass``; a grade that the buyer
            does not take brings nothing.
        hourly: What the person's own hour is worth to them.
    """
    now = _value(job.now, per_kg)
    then = _value(job.then, per_kg)
    parts = job.becomes
    after = parts.rises * then + parts.stays * now + parts.brass * per_kg.get("brass", 0.0)
    gain = job.kg * (after - now)
    hours = job.minutes / 60
    an_hour = gain / hours if hours > 0 else (inf if gain > 0 else 0.0)
    return Worth(
        job=job,
        gain=gain,
        an_hour=an_hour,
        net=gain - hourly * hours,
        pays=gain > 0 and gain >= hourly * hours,
    )


def plan_evening(
    jobs: Sequence[Job],
    *,
    per_kg: Mapping[str, float],
    limit_minutes: float,
    hourly: float = 0.0,
) -> Evening:
    """Return the jobs that bring the most within the time, at most one a piece.

    What counts is the gain over the person's own hourly figure, so a job that pays less
    than that is never chosen, even if there is time. Exact to a tenth of a minute.
    """
    if not (isfinite(limit_minutes) and limit_minutes >= 0):
        raise LoadError(f"can't be {limit_minutes}", where="minutes")
    if not (isfinite(hourly) and hourly >= 0):
        raise LoadError(f"can't be {hourly}", where="hourly")
    by_piece: dict[str, list[Worth]] = {}
    for job in jobs:
        worth = worth_of(job, per_kg=per_kg, hourly=hourly)
        by_piece.setdefault(job.piece, []).append(worth)
    groups = list(by_piece.values())
    chosen_of = best_choices(
        [
            # Time is rounded up: a plan never runs over.
            [Choice(steps=_steps(one.job.minutes), worth=one.net) for one in group]
            for group in groups
        ],
        steps=int(limit_minutes / STEP_MINUTES + 1e-9),
    )
    chosen = [
        group[index] for group, index in zip(groups, chosen_of, strict=True) if index is not None
    ]
    left = [
        max(group, key=lambda one: one.net)
        for group, index in zip(groups, chosen_of, strict=True)
        if index is None
    ]
    return Evening(
        chosen=tuple(sorted(chosen, key=lambda one: -one.an_hour)),
        left_out=tuple(sorted(left, key=lambda one: -one.an_hour)),
        minutes=sum(one.job.minutes for one in chosen),
        gain=sum(one.gain for one in chosen),
        limit_minutes=limit_minutes,
        hourly=hourly,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakEven:
    """From which weight on a kind of job pays, against the gap between two prices.

    Attributes:
        work: The kind of job.
        minutes: How long it takes.
        becomes: The parts.
        from_grade: Grade before.
        to_grade: Grade after.
        gap_per_kg: Price after less price before, at this buyer now.
        least_kg: Least weight at this gap; None where no weight makes it pay.
        curve: Pairs of (gap per kg, least kg), gap rising, for a chart.
    """

    work: Work
    minutes: float
    becomes: Yield
    from_grade: str
    to_grade: str
    gap_per_kg: float
    least_kg: float | None
    curve: tuple[tuple[float, float], ...]


CURVE_POINTS = 60


def break_even(
    work: Work,
    *,
    minutes: float,
    becomes: Yield,
    from_grade: str,
    to_grade: str,
    per_kg: Mapping[str, float],
    hourly: float,
) -> BreakEven:
    """Return from which weight on a kind of job pays the person's hour.

    ``kg x (rises x (low + gap) + stays x low + brass x brass price - low) = hourly x hours``,
    solved for kg, at the gap of now and at gaps from a tenth to three times of it.
    """
    low = per_kg.get(from_grade, 0.0)
    gap_now = per_kg.get(to_grade, 0.0) - low
    brass = per_kg.get("brass", 0.0)
    cost = hourly * minutes / 60

    def least(gap: float) -> float | None:
        a_kg = becomes.rises * (low + gap) + becomes.stays * low + becomes.brass * brass - low
        kg = cost / a_kg if a_kg > 0 else None
        # Past what one go strips, time grows with the weight: it pays no better there.
        return None if kg is not None and work is Work.STRIP and kg > STRIP_KG else kg

    top = 3 * gap_now if gap_now > 0 else max(low, 1.0)
    gaps = [top * (0.1 + 2.9 * i / (CURVE_POINTS - 1)) / 3 for i in range(CURVE_POINTS)]
    curve = [(gap, least(gap)) for gap in gaps]
    return BreakEven(
        work=work,
        minutes=minutes,
        becomes=becomes,
        from_grade=from_grade,
        to_grade=to_grade,
        gap_per_kg=gap_now,
        least_kg=least(gap_now),
        curve=tuple((gap, kg) for gap, kg in curve if kg is not None),
    )


def _cut_share(seen: float) -> float:
    return CUT_SHARE if seen <= 0 else min(MOST_OFFCUT, CUT_MARGIN * seen)


def _value(p: Mapping[str, float], per_kg: Mapping[str, float]) -> float:
    return sum(share * per_kg.get(grade, 0.0) for grade, share in p.items())


def _steps(minutes: float) -> int:
    if not (isfinite(minutes) and minutes >= 0):
        raise LoadError(f"can't be {minutes}", where="minutes")
    return ceil(minutes / STEP_MINUTES - 1e-9)
