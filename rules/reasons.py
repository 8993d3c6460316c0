"""Why this grade: the rows that fired, each with what it saw and its margin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite, isnan, nan

import numpy as np

from rules.draws import AREA_OF, LIKELIER_P, Column, Draws, estimate_of
from rules.evaluate import holds
from rules.findings import K95, Findings, Form, Unit, What
from rules.table import Comparison, Condition, Row, RuleSheet
from rules.vocabulary import VOCABULARY

# Limits of rows that did not fire are told where they are nearer than so many standard
# uncertainties: past three a normal doubt hardly reaches (0.3 %).
NEAR = 3.0
SURE_P = 0.95
"""From here on nothing is told of the doubt, neither in words nor by a question mark on a
picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """One row that fired.

    Attributes:
        row: Its id.
        text: The row's reason and what was found, in plain words.
        margin: How far the nearest limit is away, in standard uncertainties of the
            finding that it limits: positive on this row's side, negative beyond;
            None where no number is involved or its uncertainty is nil.
        p: Probability that the row holds and the piece has its grade: what it carries alone.
    """

    row: str
    text: str
    margin: float | None
    p: float


def reason_of(index: int, *, sheet: RuleSheet, findings: Findings, best: Draws, p: float) -> Reason:
    """Return the reason that row ``index`` gives for its grade.

    ``best`` is the piece of the best estimates, ``p`` what the row carries alone.
    """
    row = sheet.rows[index]
    own = [c for c in row.conditions if c.is_number]
    distances = {c: _distance(c, findings) for c in own}
    shown = [_unwanted(c, findings) for c in row.conditions if not c.is_number]
    for name in dict.fromkeys(c.finding for c in own):
        shown.append(_words([c for c in own if c.finding == name], findings, best))
    near = _nearest_of_earlier(sheet.rows[:index], _as_wanted(row, best, findings), findings)
    if near is not None:
        condition, distance = near
        without = _only_without(condition, distance, findings)
        if without:  # whether it is there decides, no number
            shown.insert(0, without)
        elif condition not in distances:
            if distance < NEAR and all(c.finding != condition.finding for c in own):
                shown.append(_words([condition], findings, best))
            distances[condition] = distance
    # Of what was not measured nobody can say how near it is.
    unknown = any(isnan(d) for d in distances.values())
    finite = [] if unknown else [d for d in distances.values() if isfinite(d)]
    details = "; ".join(dict.fromkeys(text for text in shown if text))
    told = _with_doubt(row.reason, p)
    return Reason(
        row=row.id,
        text=f"{told}. {details[:1].upper()}{details[1:]}" if details else told,
        margin=min(finite) if finite else None,
        p=p,
    )


def _distance(condition: Condition, findings: Findings) -> float:
    """Return how far a condition is from failing, in u; NaN where nothing was measured."""
    estimate = estimate_of(findings, condition.finding)
    if estimate is None:
        return nan
    value, u = estimate
    up = condition.comparison in (Comparison.AT_LEAST, Comparison.MORE_THAN)
    over = value - _number(condition) if up else _number(condition) - value
    if u == 0:
        return inf if over >= 0 else -inf
    return over / u


def _nearest_of_earlier(
    rows: tuple[Row, ...], piece: Draws, findings: Findings
) -> tuple[Condition, float] | None:
    """Return the number that comes nearest to letting an earlier row decide instead."""
    nearest = None
    for row in rows:
        if not all(bool(holds(c, piece)[0]) for c in row.conditions if not c.is_number):
            continue  # no number can make this row hold
        escapes = [(c, -_distance(c, findings)) for c in row.conditions if c.is_number]
        if not escapes or any(isnan(d) for _, d in escapes):
            continue
        easiest = max(escapes, key=lambda pair: pair[1])
        if isfinite(easiest[1]) and (nearest is None or easiest[1] < nearest[1]):
            nearest = easiest
    return nearest


def _as_wanted(row: Row, piece: Draws, findings: Findings) -> Draws:
    """Return the best estimates, with shape and presences as the row wants them."""
    changed: dict[str, Column] = {}
    for condition in row.conditions:
        if condition.is_number or bool(holds(condition, piece)[0]):
            continue
        term, threshold = VOCABULARY[condition.finding], condition.threshold
        if isinstance(threshold, bool):
            changed[term.name] = np.array([threshold])
        elif isinstance(threshold, tuple):
            names = [n for n in term.values if (n in threshold) == _admits(condition)]
            likely = max(names, key=lambda n: _form_p(n, findings), default=term.values[0])
            changed[term.name] = np.array([term.values.index(likely)])
    return piece.with_columns(changed)


def _admits(condition: Condition) -> bool:
    return condition.comparison is not Comparison.IS_NOT


def _form_p(name: str, findings: Findings) -> float:
    return findings.form.p.get(Form(name), 0.0) if name in tuple(Form) else 0.0


def _number(condition: Condition) -> float:
    assert isinstance(condition.threshold, float)
    return condition.threshold


def _words(conditions: Sequence[Condition], findings: Findings, best: Draws) -> str:
    """Say what was seen of one finding, then its limits: no standard uncertainties."""
    term = VOCABULARY[conditions[0].finding]
    estimate = estimate_of(findings, term.name)
    limits = sorted(_number(condition) for condition in conditions)
    if estimate is None:
        return f"{term.words} not measured" if any(limits) else ""
    value, u = estimate
    if term.unit is Unit.MILLIMETRE:
        told = [f"{limit:.4g}" for limit in limits if limit]
        seen = f"{term.words} {value:.2f} mm{_between(value, u)}"
        return f"{seen}, {_limits(told)} mm" if told else f"{seen}, no limit set"
    if term.name == "tarnish_level":
        told = [f"{limit:.2f}" for limit in limits]
        return f"tarnish like {tarnish_words(value)} ({value:.2f} of 1), {_limits(told)}"
    told = [f"{100 * limit:.0f}" for limit in limits]
    what = AREA_OF.get(term.name)
    presence = None if what is None else findings.seen.get(what)
    if what is None or presence is None:
        return f"{term.words} about {100 * value:.0f} %, {_limits(told)} %"
    # A share holds where the thing is there at all: 'coating on about 95 % of it' beside 'coating:
    # not ruled out (10 %)' reads as two answers.
    if_there = "" if round(findings.p_of(what), 2) >= SURE_P else "if there, "
    if str(what) in VOCABULARY:  # the row asks for it by name too, and that is told
        return f"{if_there}on about {100 * presence.share:.0f} % of it, {_limits(told)} %"
    # What lies on the copper alone is limited by its share of that, beside brass or a jacket.
    share, of = presence.share, "it"
    of_copper = float(best.columns[term.name][0])
    if of_copper > share + 0.005:
        share, of = of_copper, "its copper"
    return f"{if_there}{term.words} on about {100 * share:.0f} % of {of}, {_limits(told)} %"


def _limits(told: Sequence[str]) -> str:
    return f"limit{'s' if len(told) > 1 else ''} {' and '.join(told)}"


def _only_without(condition: Condition, distance: float, findings: Findings) -> str:
    """Say what of an earlier row may not be there, if it only may; else nothing.

    ``distance`` is below 0 where more of it than its limit is the likelier: told with that limit
    it would speak against the row that stands behind.
    """
    what = AREA_OF.get(condition.finding)
    if distance >= 0 or what is None or round(findings.p_of(what), 2) >= SURE_P:
        return ""
    named = str(what) if str(what) in VOCABULARY else condition.finding
    return f"only without {VOCABULARY[named].words}"


def tarnish_words(level: float) -> str:
    """Return what a tarnish level looks like; the names are a convention, no source.

    >>> tarnish_words(0.2), tarnish_words(0.55)
    ('a light film', 'a dull penny')
    """
    names = ("fresh metal", "a light film", "a dull penny", "dark brown metal", "black-brown metal")
    return names[round(4 * min(1.0, max(0.0, level)))]


def _between(value: float, u: float) -> str:
    """Return the interval that holds 95 % of the time, if it is wide enough to be told."""
    low, high = f"{max(0.0, value - K95 * u):.2f}", f"{value + K95 * u:.2f}"
    return "" if low == high else f" ({low} to {high})"


def _with_doubt(reason: str, p: float) -> str:
    """Return a row's reason with how likely it is in a word before it; none where it is sure.

    Rounded as a grade's figure is shown, so that no grade is sure for a reason that is not.

    >>> _with_doubt("Solder is on the piece", 0.43)
    'Perhaps solder is on the piece'
    """
    if round(p, 2) >= SURE_P:
        return reason
    word = "Probably" if p >= LIKELIER_P else "Perhaps"
    is_name = reason[1:2].isupper()  # such as AWG
    return f"{word} {reason if is_name else reason[:1].lower() + reason[1:]}"


def _unwanted(condition: Condition, findings: Findings) -> str:
    """Say what may be on a piece that the row wants without it."""
    if condition.finding not in tuple(What) or condition.threshold is True:
        return ""
    p = findings.p_of(What(condition.finding))
    word = "perhaps " if p < LIKELIER_P else "probably "
    words = VOCABULARY[condition.finding].words
    return f"{'' if round(p, 2) >= SURE_P else word}{words} on it" if p > 1 - SURE_P else ""
