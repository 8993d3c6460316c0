"""Which jobs does this load offer at this buyer, and what comes out of each?

The lifts come from the piece's grading by the buyer's own rules. What comes out is
graded anew: the findings without what the job takes off go through the same sheet, so a
lift that only perhaps reaches the better grade is worth only that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from app.load.bins import Bin, Load, Piece, masses
from app.load.buyers import seen_by
from app.load.terms import INSULATED, Terms
from app.load.units import LoadError
from app.load.worth import (
    RECOVERY,
    BreakEven,
    Job,
    Work,
    break_even,
    minutes_of,
    work_of,
    yield_of,
)
from rules.draws import LIKELIER_P
from rules.engine import grade
from rules.findings import (
    Findings,
    Finish,
    FinishFinding,
    Form,
    Measurement,
    Origin,
    Presence,
    Unit,
    What,
)
from rules.table import Lift, RuleSheet

_SHARES = {
    "green_share": Finish.GREEN,
    "coated_share": Finish.COATED,
    "tinned_share": Finish.TINNED,
}
_PRESENCE = {
    "brass": What.BRASS,
    "solder": What.SOLDER,
    "insulation": What.INSULATION,
    "green_share": What.GREEN,
    "coated_share": What.COATING,
    "tinned_share": What.TIN,
}
_WORDS = {
    "insulation": "strip insulation",
    "brass": "cut a brass end off",
    "solder": "cut a joint off",
    "green_share": "sand green off",
    "oil": "wipe oil off",
    "paint": "take paint off",
}
_FACTS = ("insulation", "oil", "paint", "enamel", "motor_wire")


def jobs_for(terms: Terms, load: Load, *, recovery: float = RECOVERY) -> tuple[Job, ...]:
    """Return every job on every piece of a load that has a weight.

    Pieces without findings (lots) offer none; neither do those whose weight is not known.

    Args:
        terms: The buyer.
        load: What there is.
        recovery: Copper share of insulated wire.
    """
    found: list[Job] = []
    for b in load.bins:
        try:
            weights = masses(b)
        except LoadError:
            weights = {piece.id: piece.weight for piece in b.pieces if piece.weight is not None}
        for piece in b.pieces:
            weight = weights.get(piece.id)
            if weight is not None and weight.kg > 0:
                kg = float(weight.kg)
                found += _jobs_of(terms, b, piece, kg=kg, recovery=recovery)
    return tuple(found)


def findings_after(findings: Findings, clears: tuple[str, ...]) -> Findings:
    """Return the findings of what is left once something was taken off.

    What lay under a share that is cleared is bare metal now, as in ``rules/lifts.py``. What a
    photo measured around a jacket was the jacket: off with it, the copper's size is not known
    unless it was measured or stated on its own.
    """
    facts = findings.facts
    jacket = is_insulated(findings) and "insulation" in clears
    for name in clears:
        if name in _PRESENCE and _PRESENCE[name] in findings.seen:
            gone: dict[str, Any] = {str(_PRESENCE[name]): Presence(p=0.0)}
            findings = replace(findings, **gone)
        if name in _SHARES and findings.finish is not None:
            findings = replace(findings, finish=_bared(findings.finish, _SHARES[name]))
        if name == "tarnish_level" and findings.finish is not None:
            fresh = Measurement.normal(0.0, 0.0, Unit.ONE)
            findings = replace(findings, finish=replace(findings.finish, tarnish_level=fresh))
        if name in _FACTS:
            off: dict[str, Any] = {name: False}
            facts = replace(facts, **off)
    if jacket:
        strand = _of_the_copper(findings)
        wire = findings.form.value is Form.WIRE
        findings = replace(findings, diameter=strand if wire else None, strand_diameter=strand)
    return replace(findings, facts=facts)


def is_insulated(findings: Findings) -> bool:
    """Return whether a piece is in its jacket: as the person says, else as it was seen."""
    said = findings.facts.insulation
    return findings.p_of(What.INSULATION) >= LIKELIER_P if said is None else said


def _of_the_copper(findings: Findings) -> Measurement | None:
    """Return the strand, unless what was measured for it is the outside of the jacket."""
    strand = findings.strand_diameter
    measured = strand is not None and strand.origin is Origin.MEASURED
    return None if measured and strand == findings.diameter else strand


@dataclass(frozen=True, slots=True, kw_only=True)
class KindOfWork:
    """One kind of lift of a sheet, for the break-even chart."""

    row: str
    lift: Lift
    work: Work
    from_grade: str
    to_grade: str

    @property
    def words(self) -> str:
        """What is done, in few words; the row's id where there are none."""
        return next((w for name, w in _WORDS.items() if name in self.lift.clears), self.row)


def kinds_of(sheet: RuleSheet) -> tuple[KindOfWork, ...]:
    """Return the kinds of lifts that a sheet offers, each from its row's grade.

    A lift that may lead to the best grade is counted as leading to the next one, as most
    of what is cut is tube, which is never the best; stripped wire is counted at the best.
    """
    grades = sheet.grade_ids
    found = []
    for row in sheet.rows:
        if row.lift is None:
            continue
        strips = "insulation" in row.lift.clears
        to = grades.index(row.lift.to)
        if not strips and grades.index(row.grade) > 1:
            to = max(to, 1)
        found.append(
            KindOfWork(
                row=row.id,
                lift=row.lift,
                work=work_of(row.lift),
                from_grade=INSULATED if strips else row.grade,
                to_grade=grades[to],
            )
        )
    return tuple(found)


def break_evens(
    terms: Terms, *, hourly: float, recovery: float = RECOVERY
) -> tuple[tuple[KindOfWork, BreakEven], ...]:
    """Return for each kind of lift from which weight on it pays at this buyer's prices.

    Kinds between grades that the buyer names no price for are left out.
    """
    per_kg = terms.loose_per_kg
    found = []
    for kind in kinds_of(terms.sheet):
        if kind.to_grade not in per_kg or kind.from_grade not in per_kg:
            continue
        found.append(
            (
                kind,
                break_even(
                    kind.work,
                    minutes=kind.lift.minutes,
                    becomes=yield_of(kind.lift, recovery=recovery),
                    from_grade=kind.from_grade,
                    to_grade=kind.to_grade,
                    per_kg=per_kg,
                    hourly=hourly,
                ),
            )
        )
    return tuple(found)


def _jobs_of(terms: Terms, bin_: Bin, piece: Piece, *, kg: float, recovery: float) -> list[Job]:
    grading = terms.grading_of(piece)
    if grading is None or piece.findings is None:
        return []
    per_kg = terms.loose_per_kg
    seen = seen_by(terms.buyer, piece.findings)
    now: Mapping[str, float] = grading.p
    if is_insulated(seen) and INSULATED in per_kg:
        now = {INSULATED: 1.0}
    found = []
    for lift in grading.lifts:
        after = findings_after(seen, lift.clears)
        found.append(
            Job(
                piece=piece.id,
                name=piece.name or piece.id,
                action=lift.action,
                work=work_of(lift),
                minutes=minutes_of(lift, kg=kg),
                kg=kg,
                now=now,
                then=_capped(
                    grade(after, terms.sheet).p, _best_of(lift, terms.sheet), terms.sheet.grade_ids
                ),
                becomes=yield_of(
                    lift,
                    brass_share=seen.brass.share,
                    solder_share=seen.solder.share,
                    recovery=recovery,
                ),
                photo=piece.photo,
                bin=bin_.name,
            )
        )
    return found


def _best_of(lift: Lift, sheet: RuleSheet) -> str:
    """Return the best grade that a lift may lead to by its sheet.

    A grading's lift says where it most likely leads; jobs done together are joined in it.
    """
    grades = sheet.grade_ids
    known = {row.lift.action: row.lift.to for row in sheet.rows if row.lift is not None}
    allowed = [grades.index(known[one]) for one in lift.action.split(JOINED) if one in known]
    return grades[max(allowed)] if allowed else lift.to


JOINED = "; then "
"""How ``rules/lifts.py`` joins the actions of several jobs on one piece."""


def _capped(p: Mapping[str, float], best: str, grades: tuple[str, ...]) -> dict[str, float]:
    """Return the chances where nothing comes out better than the lift's own best grade."""
    top = grades.index(best)
    capped = {grade_id: p.get(grade_id, 0.0) for grade_id in grades[top:]}
    capped[best] += sum(p.get(grade_id, 0.0) for grade_id in grades[:top])
    return capped


def _bared(known: FinishFinding, finish: Finish) -> FinishFinding:
    shares = dict(known.shares)
    shares[Finish.BRIGHT] = shares.get(Finish.BRIGHT, 0.0) + shares.pop(finish, 0.0)
    u = {**known.u, finish: 0.0}
    return replace(known, shares=shares, u=u)
