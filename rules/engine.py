"""Which grade does this piece belong in, how sure is that, and why?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rules.base_rates import is_raw, on_bench
from rules.confidence import (
    FAMILIAR,
    PLAIN,
    STRANGE_LAPSE,
    SUGGEST_P,
    Calibration,
    is_decided,
    photo_calibration,
    plausible,
)
from rules.doubt import (
    assumed_facts,
    cheapest_check,
    deciding_finding,
    doubt_parts,
    open_question,
    settling_check,
)
from rules.draws import DEFAULT_DRAWS, DEFAULT_SEED, Draws, best_piece, draw_pieces
from rules.errors import ContractError
from rules.evaluate import Evaluation
from rules.findings import Findings, Origin
from rules.lifts import lifts_for
from rules.reasons import Reason, reason_of
from rules.stated import with_stated
from rules.table import Lift, RuleSheet

# A row that decides fewer draws than this is no reason worth a line.
MIN_REASON_P = 0.1
_LEAST = 1e-9
STRANGE_CHECK = (
    "look at it yourself: is it metal, and does a scraped spot show red copper? It is unlike "
    "anything the tool learned from"
)
MISREAD = 0.5
"""How often what is no one whole piece is read quite wrongly; any grade is then as likely. On 23
rendered tables the likeliest grade was wrong of 45 % of 51 finds that overlap their piece by 0.3 to
0.6, and of 14 % of 159 that do by more: 0.31 more, where any of four grades would be wrong with
0.75. So 0.41, taken larger since some finds are no piece at all."""
MISREAD_JACKET = 0.2
"""The same of what is told as insulated: two leads are as insulated as one, and so is a part. Of
115 finds so told (0.9 and more) on 238 rendered photos, that may be several or a part (under
0.9), six were graded wrongly, of 281 others 75."""
MAY_BE_SEVERAL = "this may be two pieces, or only a part of one"
APART_CHECK = (
    f"lay it a finger's breadth away from the others and take another photo: {MAY_BE_SEVERAL}"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Grading:
    """The answer for one piece.

    Attributes:
        suggested: Id of the most likely grade; None where none reaches one half.
        confidence: Probability of the most likely grade, after calibration; no more than
            its deciding reason carries alone, so that no two weak reasons make a sure grade.
        p: Probability of each grade of the sheet, adding up to 1.
        borderline: True where no grade is likely enough to be told without a check;
            ``suggested`` is then only the way it leans.
        settle: The one check that would settle it; None where nothing is in doubt.
        reasons: The rows that fired, those of the most likely grade first.
        lifts: What would lift the piece, and to which grade, best first.
        deciding: The finding that the draws disagree on most, None without doubt.
        assumed: Facts that nobody stated, taken for the ordinary case, and that could
            turn the grade: a photo can't establish them, so they must be asked for.
        plausible: Grades that may be true, the most likely first; of pieces of each grade
            like those of the calibration 95 in 100 have it among them.
        guess: True where the piece is unlike what the eye was trained on: the grade is then
            a guess at most, whatever the numbers say.
        line: What the trade sells the piece as, where its grade is decided and that is
            another line than the grade; None elsewhere.
    """

    suggested: str | None
    confidence: float
    p: Mapping[str, float]
    borderline: bool
    settle: str | None
    reasons: tuple[Reason, ...]
    lifts: tuple[Lift, ...]
    deciding: str | None
    assumed: tuple[str, ...] = ()
    plausible: tuple[str, ...] = ()
    guess: bool = False
    line: str | None = None


def grade(
    findings: Findings,
    sheet: RuleSheet,
    *,
    draws: int = DEFAULT_DRAWS,
    seed: int = DEFAULT_SEED,
    calibration: Calibration | None = None,
) -> Grading:
    """Grade one piece by a rule sheet.

    Findings told for a training's mix are told for the bench first (rules/base_rates.py).
    Every draw of the findings goes through the sheet; the share of draws in a grade
    is its probability (JCGM 101). A grade is decided where it has at least 0.8 (read off
    a photo, what the calibration says) and no other 0.15 (JCGM 106, guarded acceptance);
    otherwise the piece is borderline, and ``settle`` names the cheapest check that settles
    it, or the one on the finding that explains most of the doubt. A finding that nobody
    measured leaves it borderline if it could turn the grade, and so does a surface that is
    unlike what the eye was trained on. What stated facts rule out counts no more
    (rules/stated.py).

    >>> from rules.findings import Form, FormFinding, Measurement, Presence, Unit
    >>> from rules.sheet import load_sheet
    >>> mm, none = Measurement.normal(1.0, 0.02, Unit.MILLIMETRE), Presence(p=0.0)
    >>> wire = Findings(form=FormFinding.of(Form.WIRE), finish=None, brass=none, solder=none,
    ...                 diameter=mm, strand_diameter=mm)
    >>> grade(wire, load_sheet("house")).suggested  # thinner than 16 AWG, 1.291 mm
    'no2'

    Args:
        draws: How many pieces are drawn; 10,000 make a probability good to 0.005.
        seed: Same seed, same answer.
        calibration: Of the confidence. None takes the one that ships where the finish
            was read off a photo, and leaves the shares as they are where it was stated.
    """
    if draws < 1:
        raise ContractError(f"at least one draw is needed, not {draws}", where="draws")
    findings = with_stated(on_bench(findings) if is_raw(findings) else findings)
    pieces = draw_pieces(findings, draws=draws, seed=seed)
    evaluation = Evaluation(sheet, pieces)
    if calibration is None:
        finish = findings.finish
        read_off = finish is not None and finish.origin is Origin.MEASURED
        calibration = photo_calibration() if read_off else PLAIN
    guess = findings.familiarity < FAMILIAR
    if guess:
        calibration = replace(calibration, lapse=max(calibration.lapse, STRANGE_LAPSE))
    raw = evaluation.grade_p()
    other_p = _misread_p(findings)
    p = calibration.applied((1 - other_p) * raw + other_p / len(raw))
    best = int(np.argmax(p))
    central = best_piece(findings)
    reasons = _reasons(
        evaluation, best, findings=findings, central=central, scale=p / np.maximum(raw, _LEAST)
    )
    confidence = min(float(p[best]), reasons[0].p)
    unknown = open_question(evaluation, findings=findings, best=best)
    sure = is_decided(p, calibration) and confidence >= calibration.decide_p
    borderline = guess or unknown is not None or not sure
    # Nothing else is in doubt, only whether all of it is one piece.
    apart = (
        findings.one_piece < 1
        and unknown is None
        and not sure
        and is_decided(calibration.applied(raw), calibration)
    )
    parts = doubt_parts(evaluation)
    return Grading(
        suggested=sheet.grade_ids[best] if p[best] >= SUGGEST_P else None,
        confidence=confidence,
        p=dict(zip(sheet.grade_ids, map(float, p), strict=True)),
        borderline=borderline,
        settle=_check(evaluation, parts, unknown, findings, guess=guess, apart=apart)
        if borderline
        else None,
        reasons=reasons,
        lifts=lifts_for(best, sheet=sheet, best=central, pieces=pieces),
        deciding=unknown or deciding_finding(parts),
        assumed=assumed_facts(findings, sheet=sheet, best=central),
        plausible=tuple(
            sheet.grade_ids[i] for i in plausible(p, calibration, grades=sheet.grade_ids)
        ),
        guess=guess,
        line=None
        if borderline
        else next(row.line for row in sheet.rows if row.id == reasons[0].row),
    )


def _misread_p(findings: Findings) -> float:
    """Return how likely a piece was read quite wrongly for being several, or a part of one."""
    jacket = 0.0 if findings.insulation is None else findings.insulation.p
    return (1 - findings.one_piece) * (MISREAD + (MISREAD_JACKET - MISREAD) * jacket)


def _check(
    evaluation: Evaluation,
    parts: dict[str, float],
    unknown: str | None,
    findings: Findings,
    *,
    guess: bool,
    apart: bool,
) -> str | None:
    """Return the one check that settles a piece, in plain words."""
    if guess:
        return STRANGE_CHECK
    if apart:
        return APART_CHECK
    name = unknown or cheapest_check(evaluation, parts)
    if name is None:
        return APART_CHECK if findings.one_piece < 1 else None
    return settling_check(name, sheet=evaluation.sheet, findings=findings)


def _reasons(
    evaluation: Evaluation,
    best: int,
    *,
    findings: Findings,
    central: Draws,
    scale: NDArray[np.float64],
) -> tuple[Reason, ...]:
    """Return the rows that hold often, those of the best grade first.

    Of its own grade a row counts by what it carries alone, whichever row came first; one
    without conditions, which holds for anything, by what it decided, as do other grades' rows.
    Rows of one grade that ask about the same findings count together, and the likeliest is told.
    ``scale`` turns shares of draws of each grade into calibrated probabilities.
    """
    sheet, row_p = evaluation.sheet, evaluation.row_p()
    own = [row.grade == sheet.grade_ids[best] for row in sheet.rows]
    alike = [evaluation.alike(i) for i in range(len(sheet.rows))]
    counts = [
        evaluation.carried_p(*alike[i])
        if own[i] and row.conditions
        else float(row_p[list(alike[i])].sum())
        for i, row in enumerate(sheet.rows)
    ]
    told = {max(rows, key=evaluation.carried_p) for rows in alike}
    order = sorted(told, key=lambda i: (not own[i], -counts[i], i))
    # The first always stands: a piece is never graded without a reason.
    fired = [i for rank, i in enumerate(order) if rank == 0 or counts[i] >= MIN_REASON_P]
    return tuple(
        reason_of(
            i,
            sheet=sheet,
            findings=findings,
            best=central,
            p=min(1.0, evaluation.carried_p(*alike[i]) * float(scale[_grade_of(sheet, i)])),
        )
        for i in fired
    )


def _grade_of(sheet: RuleSheet, row: int) -> int:
    return sheet.grade_ids.index(sheet.rows[row].grade)
