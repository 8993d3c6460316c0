"""Where does THIS buyer draw the line on tarnish? Learned from what they accepted.

Each outcome is a piece of measured tarnish level that the buyer took as the better
grade, or did not. The chance that they take a piece falls with its level x as a
logistic curve, ``1 / (1 + exp((x - cutoff) / blur))``: half of the pieces exactly at
their cut-off pass, and the blur says how alike they judge twice. The measured level is
uncertain, so each outcome counts by its average over the levels the piece may have.

The posterior of cut-off and blur is summed over a grid. The prior is centred on the
sheet's own cut-off and weak: a handful of outcomes outweighs it. An error that the
tool makes alike on all pieces does no harm here: the cut-off is learned on the tool's
own scale and used on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite, sqrt
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from rules.draws import best_piece
from rules.errors import ContractError
from rules.evaluate import Evaluation
from rules.findings import Findings, Finish, Measurement
from rules.reach import TooTangledError, piece_decided_by
from rules.table import Row, RuleSheet

Array = NDArray[np.float64]

MIN_OUTCOMES = 10
"""Fewer are shown, not used: the answer then is mostly the prior."""

MAX_WIDTH = 0.2
"""Widest 95 % interval that is used. Its standard uncertainty is then 0.05; a level is
seldom measured better than 0.1, so the cut-off's doubt adds at most an eighth to that."""

PRIOR_SD = 0.15
"""Of the cut-off about the sheet's. Common practice, no source: the two cut-offs of the
house sheet are 0.5 apart, and a buyer's lies nearer to its own than to the other."""

PRIOR_BLUR, PRIOR_BLUR_LOG_SD = 0.05, 0.7
"""Median of the blur, and the standard deviation of its logarithm: 95 % between 0.013
and 0.2. Common practice, no source: the same eye comes back to a piece within a tenth
or so of the scale. (A logistic curve's own standard deviation is 1.8 blurs.)"""

RECENT = 400
"""Only so many of the latest outcomes count: buyers change, and it keeps this quick."""

_CUTOFFS = np.linspace(0.0, 1.0, 201)
_BLURS = np.geomspace(0.008, 0.4, 19)
_NODES = 8
"""The grid of the posterior, and the levels that stand for one level's doubt. Twice as fine in
all three, cut-off and interval differ by 0.002 at most (30 drawn histories, 10 to 80 outcomes)."""

_A_HAIR = 1e-6  # on either side of a limit; any as small does


@dataclass(frozen=True, slots=True, kw_only=True)
class TarnishOutcome:
    """What the buyer made of one piece.

    Attributes:
        level: Measured tarnish level, 0 to 1.
        u: Its standard uncertainty.
        accepted: True where it was taken as the better of the two grades.
    """

    level: float
    u: float
    accepted: bool

    def __post_init__(self) -> None:
        if not 0 <= self.level <= 1:
            raise ContractError(f"must be between 0 and 1, not {self.level}", where="level")
        if not (isfinite(self.u) and self.u >= 0):
            raise ContractError(f"must be at least 0, not {self.u}", where="u")


@dataclass(frozen=True, slots=True, kw_only=True)
class BuyerCutoff:
    """A buyer's own tarnish cut-off.

    Attributes:
        limit: Name of the sheet's limit that it stands for.
        value: Posterior mean of the cut-off, a tarnish level.
        u: Posterior standard deviation.
        low95: Lower end of the 95 % credible interval.
        high95: Upper end.
        blur: Posterior mean of the blur of this buyer's judgement.
        outcomes: Number of outcomes behind it.
        accepted: How many of them were accepted.
        sheet_value: The sheet's cut-off, on which the prior is centred.
        usable: Whether it may stand in for the sheet's.
        why: In plain words, why it may or may not.
    """

    limit: str
    value: float
    u: float
    low95: float
    high95: float
    blur: float
    outcomes: int
    accepted: int
    sheet_value: float
    usable: bool
    why: str


def learn_cutoff(
    outcomes: Sequence[TarnishOutcome], sheet: RuleSheet, *, limit: str = "bare_bright_tarnish"
) -> BuyerCutoff:
    """Return the cut-off that the outcomes speak for.

    Args:
        outcomes: Oldest first; see :func:`outcome_of`.
        sheet: The sheet whose cut-off the prior is centred on.
        limit: Name of that limit.

    Raises:
        ContractError: The sheet has no such limit, or it is no tarnish level.
    """
    sheet_value = _tarnish_limit(sheet, limit)
    outcomes = outcomes[-RECENT:]
    posterior = cutoff_posterior(outcomes, centre=sheet_value)
    of_cutoff = posterior.sum(axis=1)
    value = float(of_cutoff @ _CUTOFFS)
    u = sqrt(max(0.0, float(of_cutoff @ (_CUTOFFS - value) ** 2)))
    low, high = (_quantile(of_cutoff, p) for p in (0.025, 0.975))
    accepted = sum(outcome.accepted for outcome in outcomes)
    usable, why = _verdict(len(outcomes), accepted, high - low)
    return BuyerCutoff(
        limit=limit,
        value=value,
        u=u,
        low95=low,
        high95=high,
        blur=float(posterior.sum(axis=0) @ _BLURS),
        outcomes=len(outcomes),
        accepted=accepted,
        sheet_value=sheet_value,
        usable=usable,
        why=why,
    )


def cutoff_posterior(outcomes: Sequence[TarnishOutcome], *, centre: float) -> Array:
    """Return the posterior over the grid, ``(cut-offs, blurs)``, adding up to 1.

    The cut-offs are 0 to 1 in steps of 0.005, the blurs 19 from 0.008 to 0.4 in equal
    ratios; the prior is a normal about ``centre`` times a log-normal.
    """
    log_p = -0.5 * ((_CUTOFFS[:, None] - centre) / PRIOR_SD) ** 2 + np.zeros(_BLURS.size)
    log_p = log_p - 0.5 * (np.log(_BLURS / PRIOR_BLUR) / PRIOR_BLUR_LOG_SD) ** 2
    for outcome in outcomes:
        levels = _possible_levels(outcome.level, outcome.u)
        away = (levels[None, None, :] - _CUTOFFS[:, None, None]) / _BLURS[None, :, None]
        taken = (1 / (1 + np.exp(np.clip(away, -60, 60)))).mean(axis=2)
        log_p = log_p + np.log(np.maximum(taken if outcome.accepted else 1 - taken, 1e-12))
    p = np.exp(log_p - log_p.max())
    posterior: Array = p / p.sum()
    return posterior


def outcome_of(
    findings: Findings,
    graded: str,
    sheet: RuleSheet,
    *,
    limit: str = "bare_bright_tarnish",
) -> TarnishOutcome | None:
    """Return what a buyer's grade says of their cut-off, None where it says nothing.

    It says something only where tarnish decides: by the sheet the piece, were it just
    inside the limit, would be the better grade, and were it just past it, another one;
    and the buyer gave one of these two. A tube tells nothing of where bare bright ends.

    Args:
        findings: What was measured of the piece.
        graded: Grade id that the buyer paid.
        sheet: The sheet whose limit it is about.
        limit: Name of the limit.
    """
    value = _tarnish_limit(sheet, limit)
    if findings.finish is None:
        return None
    better = _grade_at(findings, sheet, max(0.0, value - _A_HAIR))
    worse = _grade_at(findings, sheet, min(1.0, value + _A_HAIR))
    if better == worse or graded not in (better, worse):
        return None
    level = findings.finish.tarnish_level
    return TarnishOutcome(
        level=min(max(level.value, 0.0), 1.0), u=level.u, accepted=graded == better
    )


def with_cutoff(sheet: RuleSheet, cutoff: BuyerCutoff, *, buyer: str) -> RuleSheet:
    """Return the sheet with the buyer's own cut-off in place of its own.

    Raises:
        ContractError: The cut-off is not usable, or a row could never decide with it.
    """
    if not cutoff.usable:
        raise ContractError(f"not used: {cutoff.why}", where=cutoff.limit)
    _tarnish_limit(sheet, cutoff.limit)
    value = round(cutoff.value, 4)
    rows = tuple(
        replace(
            row,
            conditions=tuple(
                replace(c, threshold=value) if c.limit == cutoff.limit else c
                for c in row.conditions
            ),
        )
        for row in sheet.rows
    )
    if idle := set(_idle(rows)) - set(_idle(sheet.rows)):
        raise ContractError(
            f"with a cut-off of {value} row {min(idle)!r} could never decide", where=cutoff.limit
        )
    old = sheet.limits[cutoff.limit]
    source = f"learned from {cutoff.outcomes} outcomes, ± {cutoff.u:.2f}"
    return replace(
        sheet,
        name=f"{sheet.name}, {buyer}",
        title=f"{sheet.title}; tarnish as {buyer} takes it",
        limits={**sheet.limits, cutoff.limit: replace(old, value=value, source=source)},
        rows=rows,
        based_on=sheet.based_on or sheet.name,
    )


# -- inside -----------------------------------------------------------------------


def _tarnish_limit(sheet: RuleSheet, limit: str) -> float:
    about = {c.finding for row in sheet.rows for c in row.conditions if c.limit == limit}
    if limit not in sheet.limits or about != {"tarnish_level"}:
        raise ContractError(f"{sheet.name} has no tarnish limit of that name", where=limit)
    return sheet.limits[limit].value


def _idle(rows: tuple[Row, ...]) -> list[str]:
    """Return the rows that can never decide."""
    try:
        return [row.id for i, row in enumerate(rows) if piece_decided_by(rows, i) is None]
    except TooTangledError as fault:
        raise ContractError(f"can't be checked: {fault}", where="sheet") from fault


def _possible_levels(level: float, u: float) -> Array:
    """Return equally likely levels of a piece: its normal doubt, cut to 0 to 1."""
    if u <= 0:
        return np.array([level])
    normal = NormalDist(level, u)
    low, high = normal.cdf(0.0), normal.cdf(1.0)
    steps = low + (high - low) * (np.arange(_NODES) + 0.5) / _NODES
    return np.clip([normal.inv_cdf(min(max(p, 1e-12), 1 - 1e-12)) for p in steps], 0.0, 1.0)


def _quantile(p: Array, at: float) -> float:
    """Return a quantile of the cut-off; each grid point stands for the cell about it."""
    edges = np.concatenate([[0.0], np.cumsum(p)])
    step = _CUTOFFS[1]
    cells = np.clip(np.concatenate([_CUTOFFS - step / 2, [_CUTOFFS[-1] + step / 2]]), 0.0, 1.0)
    return float(np.interp(at, edges / edges[-1], cells))


def _verdict(outcomes: int, accepted: int, width: float) -> tuple[bool, str]:
    if outcomes < MIN_OUTCOMES:
        return False, f"{outcomes} of the {MIN_OUTCOMES} outcomes it takes: shown, not used"
    if accepted in (0, outcomes):
        never = "turned down" if accepted else "accepted"
        return False, f"no piece was {never} yet, so one side of it is open"
    if width > MAX_WIDTH:
        return False, (
            f"known only to within {width:.2f} of the scale (95 %), used from {MAX_WIDTH:.2f}: "
            "outcomes of pieces near the cut-off tell most"
        )
    return True, f"{outcomes} outcomes, known to within {width:.2f} of the scale (95 %)"


def _grade_at(findings: Findings, sheet: RuleSheet, level: float) -> str:
    """Return the grade of the piece by best estimates, were its tarnish another.

    The bare metal then counts as shiny: how dull a buyer lets shiny be is the question.
    """
    assert findings.finish is not None
    finish = findings.finish
    bare = finish.shares.get(Finish.BRIGHT, 0.0) + finish.shares.get(Finish.TARNISHED, 0.0)
    shares = dict(finish.shares) | {Finish.BRIGHT: bare, Finish.TARNISHED: 0.0}
    told = finish.tarnish_level
    as_if = Measurement(value=level, u=0.0, unit=told.unit, low95=level, high95=level)
    changed = replace(findings, finish=replace(finish, shares=shares, tarnish_level=as_if))
    evaluation = Evaluation(sheet, best_piece(changed))
    return sheet.grade_ids[int(evaluation.grade[0])]
