"""Who buys, by which rules, and what does a sale there cost?

A buyer's own thresholds override those of a rule sheet and nothing else. What a sheet
has no threshold for (solder let pass, brass ends let pass) is how this buyer *sees* a
piece: the findings are changed before they are graded, the sheet is not.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache
from typing import TYPE_CHECKING

from app.load.units import EXACT, MOST_KG, MOST_MONEY, LoadError, bounded, minor_digits
from rules.findings import Findings, Presence
from rules.table import AtLimit, Limit, RuleSheet

if TYPE_CHECKING:
    pass

MOST_FORGIVEN = 20

USUAL_CURRENCY = "USD"
"""Written into forms until the first buyer says otherwise."""


class Stance(StrEnum):
    """What a buyer makes of solder or of a brass end on a piece."""

    COUNTS = "counts"
    """It costs the grade, as the sheet says."""
    PASSES = "passes"
    """It is let pass: the piece is graded as if it were not there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnLimit:
    """One threshold as this buyer sets it.

    Attributes:
        value: In the unit of the sheet's limit; None keeps the sheet's value.
        at_limit: Whether a value exactly on it passes; None keeps the sheet's.
    """

    value: float | None = None
    at_limit: AtLimit | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Buyer:
    """One buyer.

    Attributes:
        name: What the person calls them.
        currency: In which they pay (ISO 4217).
        sheet: Name of the rule sheet that their grades follow.
        limits: Their own thresholds, by the sheet's limit names.
        solder: What they make of solder.
        fittings: What they make of brass ends and fittings.
        deduction: Share of each line that they keep back (dirt, moisture), 0 to 1.
        least_kg: Less than this in one sale is not bought.
        travel: Money for one trip there and back.
        forgiven: So many wrong pieces in a bin are overlooked; one more, and the whole bin
            is paid as the lowest grade in it.
        note: The person's own words.
    """

    name: str
    currency: str
    sheet: str = "house"
    limits: Mapping[str, OwnLimit] = field(default_factory=dict)
    solder: Stance = Stance.COUNTS
    fittings: Stance = Stance.COUNTS
    deduction: Decimal = Decimal(0)
    least_kg: Decimal = Decimal(0)
    travel: Decimal = Decimal(0)
    forgiven: int = 0
    note: str = ""

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise LoadError("a buyer needs a name", where="buyer")
        minor_digits(self.currency)
        bounded(self.deduction, what="deduction", high=Decimal("0.999999"))
        bounded(self.least_kg, what="least_kg", high=MOST_KG)
        bounded(self.travel, what="travel", high=MOST_MONEY)
        if not 0 <= self.forgiven <= MOST_FORGIVEN:
            raise LoadError(f"must be 0 to {MOST_FORGIVEN}, not {self.forgiven}", where="forgiven")

    @property
    def kept(self) -> Decimal:
        """Share of a line that is paid."""
        return EXACT.subtract(Decimal(1), self.deduction)


def sheet_of(buyer: Buyer) -> RuleSheet:
    """Return the rule sheet with this buyer's own thresholds, checked as a file would be.

    Raises:
        RuleFileError: The sheet has no such limit, a value is out of range, or with these
            thresholds a row could never decide.
    """
    from rules.sheet import load_sheet, sheet_names

    if buyer.sheet not in sheet_names():  # a name, never a path
        raise LoadError(
            f"no rule sheet {buyer.sheet!r:.60}; there are: {', '.join(sheet_names())}",
            where=buyer.name,
        )
    base = load_sheet(buyer.sheet)
    own = tuple((name, _merged(base, name, limit)) for name, limit in buyer.limits.items())
    if not own:
        return base
    return _loaded(buyer.name, base.name, own)


def seen_by(buyer: Buyer, findings: Findings) -> Findings:
    """Return a piece as this buyer looks at it: what they let pass is not there."""
    if buyer.solder is Stance.PASSES:
        findings = replace(findings, solder=Presence(p=0.0, origin=findings.solder.origin))
    if buyer.fittings is Stance.PASSES:
        findings = replace(findings, brass=Presence(p=0.0, origin=findings.brass.origin))
    return findings


def _merged(base: RuleSheet, name: str, own: OwnLimit) -> Limit:
    limit = base.limits.get(name)
    if limit is None:
        raise LoadError(
            f"the {base.name} sheet has no limit {name!r}, only {', '.join(base.limits)}",
            where="limit",
        )
    return replace(
        limit,
        value=limit.value if own.value is None else own.value,
        at_limit=limit.at_limit if own.at_limit is None else own.at_limit,
    )


@lru_cache(maxsize=64)
def _loaded(name: str, base: str, limits: tuple[tuple[str, Limit], ...]) -> RuleSheet:
    """Write the override as the file it stands for and load that: one reader, one check.

    It takes 30 to 40 ms, and every look at a page asks for each buyer's.
    """
    import json
    import tempfile
    from pathlib import Path

    from rules.sheet import SCHEMA, load_sheet

    lines = [f'schema = "{SCHEMA}"', f"name = {json.dumps(name)}", f'based_on = "{base}"']
    for key, limit in limits:
        lines += [f"[limit.{key}]", f"value = {limit.value!r}", f'unit = "{limit.unit}"']
        lines += [f'at_limit = "{limit.at_limit}"']
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "buyer.toml"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return load_sheet(path)
