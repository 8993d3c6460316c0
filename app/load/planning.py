"""The whole plan for a load: who should get it, what to pull, what is worth the evening."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from app.load.bins import Load
from app.load.hold import Hold, hold
from app.load.jobs import KindOfWork, break_evens, jobs_for
from app.load.offer import Offer, chance_better, compare
from app.load.risk import PullPlan
from app.load.split import MOST_SPLIT_BINS, Split, split
from app.load.stakes import pulls_for
from app.load.terms import Terms
from app.load.units import LoadError
from app.load.worth import RECOVERY, BreakEven, Evening, plan_evening
from rules.cautions import SELLING, cautions


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything that a load's plan says.

    Attributes:
        load: The load.
        offers: Every buyer, the best first.
        chance: How likely the best leaves more than the second; None with one buyer.
        split: Which bins go where; None where there are too many to try.
        terms: The buyer that the rest is for: the one asked for, else the best.
        pulls: Which pieces to take out, by bin; bins where none should come out too.
        evening: The jobs.
        kinds: From which weight on each kind of job pays.
        holds: What waiting brings; empty where nothing comes in.
        weightless: Names of pieces that have no weight, so no job can be priced.
        cautions: What can hurt at the jobs that are planned.
    """

    load: Load
    offers: tuple[Offer, ...]
    chance: float | None
    split: Split | None
    terms: Terms
    pulls: Mapping[str, PullPlan]
    evening: Evening
    kinds: tuple[tuple[KindOfWork, BreakEven], ...]
    holds: tuple[Hold, ...]
    weightless: tuple[str, ...]
    cautions: tuple[str, ...]


def plan_load(
    load: Load,
    terms: Sequence[Terms],
    *,
    buyer: str | None = None,
    minutes: float = 60.0,
    hourly: float = 0.0,
    recovery: float = RECOVERY,
    kg_a_week: Mapping[str, Decimal] | None = None,
) -> Plan:
    """Return the plan for a load.

    Args:
        load: What there is.
        terms: The buyers to compare.
        buyer: Whose prices count for pulls and jobs; None takes the best offer's.
        minutes: How much time there is for jobs.
        hourly: What the person's own hour is worth to them, in the buyers' currency.
        recovery: Copper share of insulated wire.
        kg_a_week: What comes in each week, by grade, for waiting.

    Raises:
        LoadError: No buyer, several currencies, or a bin without a weight.
    """
    if not load.bins:
        raise LoadError("there is nothing in this load yet (load add)", where=load.name)
    offers = compare(terms, load)
    wanted = offers[0].buyer.name if buyer is None else buyer
    chosen = next(one for one in terms if one.buyer.name == wanted)
    jobs = jobs_for(chosen, load, recovery=recovery)
    evening = plan_evening(jobs, per_kg=chosen.loose_per_kg, limit_minutes=minutes, hourly=hourly)
    return Plan(
        load=load,
        offers=offers,
        chance=chance_better(offers[0], offers[1]) if len(offers) > 1 else None,
        split=split(terms, load) if len(load.bins) <= MOST_SPLIT_BINS else None,
        terms=chosen,
        pulls={b.name: pulls_for(chosen, b) for b in load.bins if b.pieces},
        evening=evening,
        kinds=break_evens(chosen, hourly=hourly, recovery=recovery),
        holds=hold(chosen, load, kg_a_week=kg_a_week) if kg_a_week else (),
        weightless=tuple(
            piece.name or piece.id for b in load.bins if b.weighed is None for piece in b.unweighed
        ),
        cautions=_cautions(chosen, load, evening),
    )


def _cautions(terms: Terms, load: Load, evening: Evening) -> tuple[str, ...]:
    """Return each caution of the pieces to work on once, the one about selling last."""
    told: list[str] = []
    for worth in evening.chosen:
        piece = load.piece(worth.job.piece)
        grading = terms.grading_of(piece)
        if piece.findings is not None and grading is not None:
            told += cautions(piece.findings, grading)
    return (*dict.fromkeys(text for text in told if text != SELLING), SELLING)
