"""Where does the doubt come from, and which one check would take it away?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.draws import Column, Draws, estimate_of
from rules.evaluate import Evaluation
from rules.findings import Findings, Form
from rules.table import RuleSheet
from rules.vocabulary import FACT_NAMES, SHARE_OF_FINISH, VOCABULARY, Kind

# A finding that explains less of the doubt than this is not worth a check.
MIN_PART = 0.01  # chosen
# A check settles a piece if it is then right this often, whatever the check shows.
SETTLED_P = 0.95  # as likely as a 95 % interval holds
# A missing finding can turn the grade if this share of its draws does.
POSSIBLE_P = 0.02  # chosen
# Sides of limits are told apart by one number; it is made small again past this.
MAX_SIDES = 1 << 12


def doubt_parts(evaluation: Evaluation) -> dict[str, float]:
    """Return how much of the doubt each finding explains, 0 to 1.

    The doubt is the variance of the grade (summed over the grades' indicators).
    A finding is frozen in turn at each side of the limits that the sheet sets it;
    what the variance falls by, on average, is its part: the first-order variance
    share of JCGM 101 draws (law of total variance). A rule sees a finding only by
    those sides, so nothing is lost by looking at them alone.
    """
    p = evaluation.grade_p()
    whole = 1.0 - float(p @ p)
    if whole <= 0:
        return {}
    parts = {}
    for name in VOCABULARY:
        table = _grades_by_side(evaluation, (name,))
        if table is not None:
            of_side = table.sum(axis=1, keepdims=True)
            left = 1.0 - float((table**2 / of_side).sum() / table.sum())
            parts[name] = max(0.0, 1.0 - left / whole)
    return parts


def _grades_by_side(evaluation: Evaluation, names: tuple[str, ...]) -> NDArray[np.float64] | None:
    """Count the grades on each side of the limits of findings, ``(sides, grades)``."""
    held = [h for c, h in evaluation.held.items() if c.finding in names and h.size > 1]
    if not held:
        return None
    grades = len(evaluation.sheet.grades)
    side = held[0].astype(np.intp)
    for one in held[1:]:
        if int(side.max()) > MAX_SIDES:  # renumbered, so that many limits can't overflow
            side = np.unique(side, return_inverse=True)[1]
        side = side * 2 + one
    counts = np.bincount(side * grades + evaluation.grade).astype(np.float64)
    counts = np.append(counts, np.zeros(-counts.size % grades))
    table: NDArray[np.float64] = counts.reshape(-1, grades)
    return table[table.any(axis=1)]


def open_question(evaluation: Evaluation, *, findings: Findings, best: int) -> str | None:
    """Return a finding that nobody measured and that could turn the grade, if any.

    Draws of a missing finding show what is possible, not how likely it is. So a grade
    may be decided without it only where each side of its limits gives that grade.
    """
    for names in missing_findings(findings):
        table = _grades_by_side(evaluation, names)
        if table is None:
            continue
        otherwise = table[table.argmax(axis=1) != best]
        if otherwise.sum() >= POSSIBLE_P * table.sum():
            parts = doubt_parts(evaluation)
            return max(names, key=lambda name: parts.get(name, 0.0))
    return None


def missing_findings(findings: Findings) -> tuple[tuple[str, ...], ...]:
    """Return the numbers that were neither measured nor stated, those of one look together."""
    missing: list[tuple[str, ...]] = []
    wire_like = findings.form.value in (Form.WIRE, Form.STRANDED)
    if wire_like and estimate_of(findings, "strand_diameter") is None:
        missing.append(("strand_diameter",))
    if findings.finish is None:
        missing.append(("tarnish_level", *SHARE_OF_FINISH.values()))
    return tuple(missing)


def cheapest_check(evaluation: Evaluation, parts: dict[str, float]) -> str | None:
    """Return the finding whose check settles the piece in the least time.

    A check settles it if, once its finding is known, the most likely grade is right with
    ``SETTLED_P`` on average over what the check may show. Where none does alone, the one that
    explains most of the doubt is the best to begin with.
    """
    settling = []
    for name, part in parts.items():
        table = _grades_by_side(evaluation, (name,)) if part >= MIN_PART else None
        if table is not None and table.max(axis=1).sum() >= SETTLED_P * table.sum():
            settling.append(name)
    if not settling:
        return deciding_finding(parts)
    return min(settling, key=lambda name: (VOCABULARY[name].minutes, -parts[name]))


def deciding_finding(parts: dict[str, float]) -> str | None:
    """Return the finding that explains most of the doubt, None if none does."""
    if not parts:
        return None
    best = max(parts, key=lambda name: parts[name])
    return best if parts[best] >= MIN_PART else None


def assumed_facts(findings: Findings, *, sheet: RuleSheet, best: Draws) -> tuple[str, ...]:
    """Return the facts that nobody stated and that could turn the grade of ``best``."""
    asked = {c.finding for row in sheet.rows for c in row.conditions}
    facts = (*FACT_NAMES, *(() if findings.insulation is not None else ("insulation",)))
    unsaid = [n for n in facts if n in asked and getattr(findings.facts, n) is None]
    others = [(name, value) for name in unsaid for value in _other_values(name)]
    # One piece for each thing that a fact could be, and the best estimates as the last.
    columns: dict[str, Column] = {}
    for name, (value,) in best.columns.items():
        columns[name] = np.full(len(others) + 1, value)
    for index, (name, value) in enumerate(others):
        columns[name][index] = value
        if f"{name}_share" in columns:  # said to be there, it is there all over
            columns[f"{name}_share"][index] = 1.0
    grades = Evaluation(sheet, Draws(columns=columns, count=len(others) + 1)).grade
    turned = {name for (name, _), it in zip(others, grades[:-1], strict=True) if it != grades[-1]}
    return tuple(name for name in unsaid if name in turned)


def _other_values(name: str) -> list[bool | int]:
    """Return what a fact could be besides the ordinary case, as columns hold it."""
    term = VOCABULARY[name]
    if term.kind is Kind.FLAG:
        return [not term.unstated]
    return [i for i, value in enumerate(term.values) if value != term.unstated]


def settling_check(name: str, *, sheet: RuleSheet, findings: Findings) -> str:
    """Return the one check, in plain words, that settles a finding."""
    term = VOCABULARY[name]
    if term.kind is not Kind.NUMBER:
        return term.settle
    limits = [
        c.threshold
        for row in sheet.rows
        for c in row.conditions
        if c.finding == name and isinstance(c.threshold, float)
    ]
    estimate = estimate_of(findings, name)
    value = estimate[0] if estimate else max(limits)
    nearest = min(limits, key=lambda limit: abs(limit - value))
    what = "the wire" if findings.form.value is Form.WIRE else "a single strand"
    return term.settle.format(limit=f"{nearest:.4g}", what=what)
