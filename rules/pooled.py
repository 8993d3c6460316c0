"""What do several photos of the same piece say together?

Errors that all photos have in common (the reference object, how the method reads any
piece, the model behind the finish) do not average out; errors of each photo alone do.
So the parts of each uncertainty are kept apart: the covariance of the photos is a
diagonal of independent parts plus one fully correlated term for each shared source
(JCGM 100:2008, 5.2 and F.1.2), and the pooled value is the mean of least variance
under it. A chi-square test asks whether the photos agree within their independent
parts; where they don't, those parts are widened by the Birge ratio.

The photos must be different shots; the same file twice is no evidence.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, fields
from math import erfc, exp, inf, log, pi, sqrt
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

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
    Origin,
    Presence,
    Unit,
    What,
)

Array = NDArray[np.float64]
T = TypeVar("T")

INDEPENDENT_PARTS = frozenset({"edges", "scatter", "away_from_reference", "tilt", "photos"})
"""Parts of a budget that are each photo's own: where the edges were found, the scatter
along the piece, the slant of the phone that a coin leaves open. All others count as
shared, which errs on the wide side: the reference, the height of the camera, the bias
of the method, how the piece lies, the lay of its strands."""

SHARED_VARIANCE = 0.5
"""Part of the variance that is shared where no budget tells: a share of a finish, the
tarnish level. Common practice, no source: the light and the patch seen change from
photo to photo, the model and the piece's own look do not."""

FLAG_CORRELATION = 0.5
"""Correlation between what two photos of one piece say on brass, solder or its form,
for the same reason; common practice, no source."""

PRIOR_P = 0.1
"""How often pieces have something where the photo's eye does not say what it learned: each
photo's probability holds this once already, so it is taken out before their evidence is
added. Common practice, no source."""

DISAGREE_P = 0.01
"""Photos that agree look as different as this, or more, once in a hundred times."""

_SHARPEST_P = 1e-4  # no photo is surer than this, whatever it says
_SMALLEST_SHARE_U = 0.005  # a share that was never seen is still not known exactly
_OTHER, _PHOTOS, _DISAGREEMENT = "other", "photos", "disagreement"


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """Whether the photos agree within their independent errors.

    Attributes:
        chi2: Sum of squared residuals over the covariance.
        dof: Number of photos less one.
        p: Probability of a chi-square this large or larger if they agree.
        birge: Factor by which the independent errors were widened, at least 1
            (Birge 1932): ``sqrt(chi2 / dof)`` where that is more.
    """

    chi2: float
    dof: int
    p: float
    birge: float

    @property
    def disagrees(self) -> bool:
        """Whether the photos contradict each other: is it really the same piece?"""
        return self.p < DISAGREE_P


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightedMean:
    """The mean of least variance of correlated values.

    Attributes:
        value: The mean.
        u: Its standard uncertainty.
        weights: Of each value; none below 0, adding up to 1.
        budget: Parts of ``u``: ``photos`` (independent), ``disagreement`` (what the
            Birge ratio added), and each shared source by name.
        agreement: How well the values agree; None for one value.
    """

    value: float
    u: float
    weights: tuple[float, ...]
    budget: Mapping[str, float]
    agreement: Agreement | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """What several photos of one piece say together.

    Attributes:
        findings: As of one photo; its intervals are what the rules will see.
        photos: How many were pooled.
        agreement: For each number that at least two photos measured, by its name in
            the rules; of the shares of the finish the one that agrees least.
    """

    findings: Findings
    photos: int
    agreement: Mapping[str, Agreement] = field(default_factory=dict)

    @property
    def disagreeing(self) -> tuple[str, ...]:
        """Names of the findings on which the photos contradict each other."""
        return tuple(name for name, found in self.agreement.items() if found.disagrees)


def pool_findings(
    several: Sequence[Findings],
    *,
    independent: Collection[str] = INDEPENDENT_PARTS,
    correlation: float = FLAG_CORRELATION,
) -> Pooled:
    """Return what several photos of the same piece say together.

    What the person stated wins over what was seen, as in one photo. A finding that
    some photos lack comes from the others.

    Args:
        several: Findings of one piece, one for each photo.
        independent: Names of budget parts that are each photo's own. Photos with
            different reference objects: add ``scale``.
        correlation: Between what two photos say on brass, solder and form.

    Raises:
        ContractError: No findings, a parameter outside 0 to 1, or the person stated
            two different things.
    """
    if not several:
        raise ContractError("there is nothing to pool", where="photos")
    if not 0 <= correlation <= 1:
        raise ContractError(f"must be between 0 and 1, not {correlation}", where="correlation")
    agreement: dict[str, Agreement] = {}

    def number(name: str, measured: Sequence[Measurement | None]) -> Measurement | None:
        there = [m for m in measured if m is not None]
        if not there:
            return None
        pooled, agree = pool_measurements(there, independent=independent)
        if agree is not None:
            agreement[name] = agree
        return pooled

    finishes = [f.finish for f in several if f.finish is not None]
    level = number("tarnish_level", [f.tarnish_level for f in _stated_first(finishes)])
    finish = None
    if level is not None:
        finish, agree = _pool_finish(_stated_first(finishes), level)
        if agree is not None:
            agreement["finish"] = agree
    findings = Findings(
        form=_pool_form([f.form for f in several], correlation),
        finish=finish,
        **_pool_seen(several, correlation),
        diameter=number("diameter", [f.diameter for f in several]),
        strand_diameter=number("strand_diameter", [f.strand_diameter for f in several]),
        facts=_merged_facts([f.facts for f in several]),
        # One photo in which it is like what the eye knows is enough.
        familiarity=max(f.familiarity for f in several),
        # And one on which it lies apart from all others.
        one_piece=max(f.one_piece for f in several),
        width_between_mm=_pool_between([f.width_between_mm for f in several]),
    )
    return Pooled(findings=findings, photos=len(several), agreement=agreement)


def _pool_between(told: Sequence[tuple[float, float] | None]) -> tuple[float, float] | None:
    """Return what all outlines allow, None where none tells or they contradict each other."""
    there = [between for between in told if between is not None]
    if not there:
        return None
    low, high = max(b[0] for b in there), min(b[1] for b in there)
    return (low, high) if low <= high else None


def pool_measurements(
    measured: Sequence[Measurement],
    *,
    independent: Collection[str] = INDEPENDENT_PARTS,
) -> tuple[Measurement, Agreement | None]:
    """Return one measurement of the same quantity from several, and how well they agree.

    Stated values win over measured ones. Its interval keeps the shape of the others'
    (skewed, or wider than normal), and is never outside what the quantity can be.
    """
    measured = _stated_first(measured)
    if not measured:
        raise ContractError("there is nothing to pool", where="measurements")
    if len({m.unit for m in measured}) > 1:
        raise ContractError("measurements in different units can't be pooled")
    if len(measured) == 1:
        return measured[0], None
    own, shared = _parts_apart(measured, frozenset(independent))
    mean = weighted_mean([m.value for m in measured], own, shared)
    weights = np.array(mean.weights)
    below = _stretch([m.value - m.low95 for m in measured], measured, weights)
    above = _stretch([m.high95 - m.value for m in measured], measured, weights)
    lowest, highest = (0.0, 1.0) if measured[0].unit is Unit.ONE else (0.0, inf)
    return Measurement(
        value=mean.value,
        u=mean.u,
        unit=measured[0].unit,
        low95=min(max(mean.value - below * K95 * mean.u, lowest), mean.value),
        high95=max(min(mean.value + above * K95 * mean.u, highest), mean.value),
        origin=measured[0].origin,
        budget=mean.budget,
    ), mean.agreement


def weighted_mean(
    values: Sequence[float] | Array,
    independent_u: Sequence[float] | Array,
    shared_u: Mapping[str, Sequence[float] | Array] | None = None,
) -> WeightedMean:
    """Return the mean of least variance, widened where the values disagree.

    Args:
        values: Of the same quantity.
        independent_u: Standard uncertainty of each from its own errors.
        shared_u: By source: what an error of one standard deviation of that source
            does to each value.

    Negative weights are not allowed: a mean outside the values, which strong
    correlation would ask for (R. W. Peelle's puzzle, 1987), rests on knowing the
    correlation better than anybody does.
    """
    y = np.asarray(values, dtype=np.float64)
    own = np.asarray(independent_u, dtype=np.float64)
    sources = {name: np.asarray(s, dtype=np.float64) for name, s in (shared_u or {}).items()}
    # Without any error of its own a value could not disagree; a trace keeps it solvable.
    own = np.maximum(own, max(1e-9 * float(np.abs(y).max()), 1e-12))
    common = sum((np.outer(s, s) for s in sources.values()), np.zeros((y.size, y.size)))
    agreement = agreement_of(y, np.diag(own**2) + common) if y.size > 1 else None
    birge = 1.0 if agreement is None else agreement.birge
    weights = best_weights(np.diag((birge * own) ** 2) + common)
    alone = float(np.sqrt(((weights * own) ** 2).sum()))
    budget = {_PHOTOS: alone}
    if birge > 1:
        budget[_DISAGREEMENT] = alone * sqrt(birge**2 - 1)
    budget |= {name: abs(float(weights @ s)) for name, s in sources.items()}
    return WeightedMean(
        value=float(weights @ y),
        u=sqrt(sum(part**2 for part in budget.values())),
        weights=tuple(map(float, weights)),
        budget=budget,
        agreement=agreement,
    )


def agreement_of(values: Array, covariance: Array) -> Agreement:
    """Return whether values with this covariance can be of one quantity.

    The chi-square of generalised least squares; an error that all share cancels in it.
    """
    inverse = np.linalg.inv(covariance)
    mean = float(inverse.sum(axis=0) @ values / inverse.sum())
    residuals = values - mean
    chi2 = max(0.0, float(residuals @ inverse @ residuals))
    dof = values.size - 1
    return Agreement(chi2=chi2, dof=dof, p=chi2_tail(chi2, dof), birge=max(1.0, sqrt(chi2 / dof)))


def best_weights(covariance: Array) -> Array:
    """Return the weights of least variance, none below 0, adding up to 1.

    Without that bound they are ``V⁻¹ 1 / (1ᵀ V⁻¹ 1)`` (Aitken 1935; Lyons, Gibaut and
    Clifford 1988). With it: active sets after Lawson and Hanson 1974, chapter 23.
    """
    size = len(covariance)
    scaled = covariance / np.trace(covariance) * size
    x = np.zeros(size)
    free = np.zeros(size, dtype=bool)
    for _ in range(10 * size):
        gain = 1.0 - scaled @ x
        gain[free] = -inf
        best = int(np.argmax(gain))
        if gain[best] <= 1e-12:
            break
        free[best] = True
        while True:
            target = np.zeros(size)
            at = np.flatnonzero(free)
            target[at] = np.linalg.solve(scaled[np.ix_(at, at)], np.ones(at.size))
            if (target[at] > 0).all():
                x = target
                break
            down = at[target[at] <= 0]
            step = float(np.min(x[down] / np.maximum(x[down] - target[down], 1e-300)))
            x = x + step * (target - x)
            free &= x > 1e-15
            free[down[np.argmin(x[down])]] = False
            x[~free] = 0.0
    weights: Array = x / x.sum()
    return weights


def chi2_tail(chi2: float, dof: int) -> float:
    """Return the probability that a chi-square of ``dof`` is at least ``chi2``.

    The finite sums for whole degrees of freedom (Abramowitz and Stegun, 26.4.4, 26.4.5).
    """
    if dof < 1 or chi2 <= 0:
        return 1.0
    half = chi2 / 2
    if dof % 2 == 0:
        term, total = 1.0, 1.0
        for k in range(1, dof // 2):
            term *= half / k
            total += term
        return min(1.0, exp(-half) * total)
    tail = erfc(sqrt(half))
    term = sqrt(2 * chi2 / pi) * exp(-half)
    for k in range(1, (dof - 1) // 2 + 1):
        tail += term
        term *= chi2 / (2 * k + 1)
    return min(1.0, tail)


def pool_presences(
    presences: Sequence[Presence], prior_p: float, *, correlation: float
) -> Presence:
    """Return whether it is there, from what several photos say.

    Each photo's evidence is its log odds less those before any photo. Normal evidence
    of equal weight with correlation r adds up as ``sum / (1 + (n - 1) r)``: n photos
    with r = 1 count as one, with r = 0 as n. Photos that contradict each other come
    out in the middle.

    Raises:
        ContractError: The person stated two different things.
    """
    stated = {f.p for f in presences if f.origin is Origin.STATED}
    if len(stated) > 1:
        raise ContractError("was stated twice, differently", where="presence")
    if stated:
        return next(f for f in presences if f.origin is Origin.STATED)
    if len(presences) == 1:
        return presences[0]
    evidence = sum(_log_odds(f.p) - _log_odds(prior_p) for f in presences)
    pooled = _log_odds(prior_p) + evidence / (1 + (len(presences) - 1) * correlation)
    seen = sum(f.p for f in presences)
    share = sum(f.p * f.share for f in presences) / seen if seen > 0 else 0.0
    told = [f for f in presences if f.u_share is not None]
    # What one photo is off in a share, the next mostly is off too: the doubt does not shrink.
    u = sum(f.u_share or 0.0 for f in told) / len(told) if told else None
    return Presence(
        p=1 / (1 + exp(-pooled)),
        share=min(share, 1.0),
        u_share=u,
        learned=presences[0].learned,
        bench=presences[0].bench,
    )


# -- inside -----------------------------------------------------------------------


HasOrigin = TypeVar("HasOrigin", Measurement, FinishFinding)


def _stated_first(several: Sequence[HasOrigin]) -> list[HasOrigin]:
    """Return those that the person stated, all where nothing was stated."""
    stated = [one for one in several if one.origin is Origin.STATED]
    return stated or list(several)


def _parts_apart(
    measured: Sequence[Measurement], independent: frozenset[str]
) -> tuple[Array, Mapping[str, Array]]:
    """Return the independent uncertainty of each, and what each shared source does to it."""
    own_square = np.zeros(len(measured))
    shared: dict[str, Array] = {}
    for index, one in enumerate(measured):
        told = sum(part**2 for part in one.budget.values())
        # Parts that come to more than the whole are cut to it; what they lack is split.
        fit = min(1.0, one.u / sqrt(told)) if told > 0 else 1.0
        left = max(0.0, one.u**2 - told * fit**2)
        own_square[index] = (1 - SHARED_VARIANCE) * left
        parts = {name: part * fit for name, part in one.budget.items()}
        parts[_OTHER] = sqrt(parts.get(_OTHER, 0.0) ** 2 + SHARED_VARIANCE * left)
        for name, part in parts.items():
            if name in independent:
                own_square[index] += part**2
            elif part != 0:
                shared.setdefault(name, np.zeros(len(measured)))[index] = part
    return np.sqrt(own_square), shared


def _stretch(halves: list[float], measured: Sequence[Measurement], weights: Array) -> float:
    """Return how much wider than normal the intervals are on one side, on average."""
    ratios = np.array(
        [
            max(1.0, half / (K95 * one.u)) if one.u > 0 else 1.0
            for half, one in zip(halves, measured, strict=True)
        ]
    )
    used = weights > 0
    return float(weights[used] @ ratios[used])


def _pool_finish(
    finishes: Sequence[FinishFinding], level: Measurement
) -> tuple[FinishFinding, Agreement | None]:
    """Return the pooled finish: one set of weights for all shares, so that they add up to 1."""
    if len(finishes) == 1:
        return finishes[0], None
    count = len(finishes)
    covariances, spreads, worst = {}, {}, None
    for finish in Finish:
        u = np.array([max(f.u.get(finish, 0.0), _SMALLEST_SHARE_U) for f in finishes])
        y = np.array([f.shares.get(finish, 0.0) for f in finishes])
        own, common = (1 - SHARED_VARIANCE) * u**2, SHARED_VARIANCE * np.outer(u, u)
        agree = agreement_of(y, np.diag(np.maximum(own, 1e-12)) + common)
        if worst is None or agree.p < worst.p:
            worst = agree
        covariances[finish] = np.diag(np.maximum(own, 1e-12) * agree.birge**2) + common
        spreads[finish] = y
    weights = best_weights(sum(covariances.values(), np.zeros((count, count))))
    shares = {finish: float(weights @ y) for finish, y in spreads.items()}
    total = sum(shares.values())
    return FinishFinding(
        shares={finish: share / total for finish, share in shares.items()},
        u={
            finish: min(1.0, sqrt(float(weights @ v @ weights)))
            for finish, v in covariances.items()
        },
        tarnish_level=level,
        origin=finishes[0].origin,
    ), worst


def _pool_seen(several: Sequence[Findings], correlation: float) -> dict[str, Presence]:
    """Return each thing that at least one photo told of, from all that did.

    The rate it was learned with is that of the form the photos agree on.
    """
    form = _pool_form([f.form for f in several], correlation).value
    pooled = {}
    for what in What:
        presences = [f.seen[what] for f in several if what in f.seen]
        if presences:
            prior = presences[0].learned.get(form, PRIOR_P)
            pooled[str(what)] = pool_presences(presences, prior, correlation=correlation)
    return pooled


def _pool_form(forms: Sequence[FormFinding], correlation: float) -> FormFinding:
    stated = [form for form in forms if form.stated]
    if len({form.value for form in stated}) > 1:
        raise ContractError("was stated twice, differently", where="form")
    if stated:
        return stated[-1]
    if len(forms) == 1:
        return forms[0]
    evidence = sum(
        np.log([max(form.p.get(f, 0.0), _SHARPEST_P) for f in Form]) for form in forms
    ) / (1 + (len(forms) - 1) * correlation)
    p = np.exp(evidence - np.max(evidence))
    p = p / p.sum()
    return FormFinding(p=dict(zip(Form, map(float, p), strict=True)), learned=forms[0].learned)


def _merged_facts(several: Sequence[Facts]) -> Facts:
    merged = {}
    for one in fields(Facts):
        said = {getattr(f, one.name) for f in several} - {None}
        if len(said) > 1:
            raise ContractError(f"{one.name} was stated twice, differently", where="facts")
        merged[one.name] = said.pop() if said else None
    return Facts(**merged)


def _log_odds(p: float) -> float:
    p = min(max(p, _SHARPEST_P), 1 - _SHARPEST_P)
    return log(p / (1 - p))
