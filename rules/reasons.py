"""Why this grade: the rows that fired, each with what it saw and its margin."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isfinite, isnan, nan

import numpy as np

from rules.draws import AREA_OF, LIKELIER_P, Column, Draws, estimate_of
from rules.evaluate import holds
from rules.findings import K95, Findings, Form, Unit, What
from rules.table import Comparison, Condition, Row, RuleSheet
from rules.vocabulary import FORM_WORDS, VOCABULARY

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
    shown = [_seen(c, findings) for c in row.conditions if not c.is_number]
    shown += [_words(c, findings) for c in own]
    near = _nearest_of_earlier(sheet.rows[:index], _as_wanted(row, best, findings), findings)
    if near is not None:
        condition, distance = near
        if condition not in distances:
            if distance < NEAR:
                shown.append(_words(condition, findings))
            distances[condition] = distance
    # Of what was not measured nobody can say how near it is.
    unknown = any(isnan(d) for d in distances.values())
    finite = [] if unknown else [d for d in distances.values() if isfinite(d)]
    details = "; ".join(dict.fromkeys(text for text in shown if text))
    return Reason(
        row=row.id,
        text=f"{row.reason}. {details[:1].upper()}{details[1:]}" if details else row.reason,
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


def _words(condition: Condition, findings: Findings) -> str:
    """Say what was seen, then the limit: no standard uncertainties, a seller reads this."""
    term = VOCABULARY[condition.finding]
    estimate, limit = estimate_of(findings, condition.finding), _number(condition)
    if estimate is None:
        return f"{term.words} not measured" if limit else ""
    value, u = estimate
    if term.unit is Unit.MILLIMETRE:
        seen = f"{term.words} {value:.2f} mm{_between(value, u)}"
        return f"{seen}, no limit set" if limit == 0 else f"{seen}, limit {limit:.4g} mm"
    if term.name == "tarnish_level":
        return f"tarnish like {tarnish_words(value)} ({value:.2f} of 1), limit {limit:.2f}"
    what = AREA_OF.get(term.name)
    presence = None if what is None else findings.seen.get(what)
    if what is None or presence is None:
        return f"{term.words} about {100 * value:.0f} %, limit {100 * limit:.0f} %"
    area = f"on about {100 * presence.share:.0f} % of it, limit {100 * limit:.0f} %"
    if str(what) in VOCABULARY:  # the row asks for it by name too, and that is told
        return area
    return f"{_perhaps(findings.p_of(what))}{term.words} {area}"


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


def _perhaps(p: float) -> str:
    """Return the doubt that something is there, in a word before it; its figure is a detail."""
    return "" if p >= SURE_P else "probably " if p >= LIKELIER_P else "perhaps "


def _seen(condition: Condition, findings: Findings) -> str:
    """Say how sure a presence or a form is, where it is not certain."""
    term = VOCABULARY[condition.finding]
    if condition.finding in tuple(What):
        p = findings.p_of(What(condition.finding))
        if condition.threshold is True:
            return f"{_perhaps(p)}{term.words}" if p < SURE_P else ""
        return f"{_perhaps(p)}{term.words} on it" if p > 1 - SURE_P else ""
    if condition.finding == "form" and isinstance(condition.threshold, tuple):
        p = findings.form.p.get(findings.form.value, 0.0)
        if str(findings.form.value) in condition.threshold and p < SURE_P:
            return f"{_perhaps(p)}{FORM_WORDS[findings.form.value]}"
    return ""
