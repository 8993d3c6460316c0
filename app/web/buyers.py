"""What the records say of each buyer: where they draw the line on tarnish."""

from __future__ import annotations

from app.records import Records
from rules.buyer_cutoff import BuyerCutoff, TarnishOutcome, learn_cutoff, outcome_of, with_cutoff
from rules.errors import ContractError
from rules.sheet import RuleSheet


def tarnish_limits(sheet: RuleSheet) -> tuple[str, ...]:
    """Return the names of a sheet's limits that are about tarnish alone, the strictest first."""
    about: dict[str, set[str]] = {}
    for row in sheet.rows:
        for condition in row.conditions:
            if condition.limit is not None:
                about.setdefault(condition.limit, set()).add(condition.finding)
    found = [name for name, findings in about.items() if findings == {"tarnish_level"}]
    return tuple(sorted(found, key=lambda name: sheet.limits[name].value))


def outcomes_at(
    store: Records, buyer_id: str, sheet: RuleSheet, *, limit: str
) -> tuple[TarnishOutcome, ...]:
    """Return what a buyer's grades say of one of their cut-offs, oldest first."""
    dated = [
        (outcome.told_utc, outcome_of(piece.findings, outcome.grade, sheet, limit=limit))
        for piece in store.pieces(buyer_id=buyer_id)
        for outcome in piece.outcomes
        if outcome.buyer_id == buyer_id and outcome.grade in sheet.grade_ids
    ]
    dated.sort(key=lambda pair: pair[0])
    return tuple(found for _, found in dated if found is not None)


def cutoffs_at(store: Records, buyer_id: str, sheet: RuleSheet) -> tuple[BuyerCutoff, ...]:
    """Return a buyer's cut-offs that at least one outcome speaks of."""
    found = []
    for limit in tarnish_limits(sheet):
        outcomes = outcomes_at(store, buyer_id, sheet, limit=limit)
        if outcomes:
            found.append(learn_cutoff(outcomes, sheet, limit=limit))
    return tuple(found)


def sheet_for(store: Records, buyer_id: str, sheet: RuleSheet) -> RuleSheet:
    """Return the sheet with those of a buyer's cut-offs that are known well enough."""
    name = store.buyer(buyer_id).name
    for cutoff in cutoffs_at(store, buyer_id, sheet):
        if cutoff.usable:
            try:
                sheet = with_cutoff(sheet, cutoff, buyer=name)
            except ContractError:  # it would leave a row idle: the sheet's own stays
                continue
    return sheet
