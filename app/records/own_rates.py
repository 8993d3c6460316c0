"""How often is what on this shop's own pieces? Base rates as its confirmed records shift them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from app.records.types import CONFIRMED, PieceRecord
from rules.base_rates import BaseRates, Confirmed, shifted, shipped_rates

if TYPE_CHECKING:
    from app.records.store import Records

MOST_PIECES = 300
"""The newest so many count: what a shop gets changes over the years, and reading them takes
time with each page. Common practice, no source."""


def own_rates(store: Records) -> BaseRates:
    """Return the bench's base rates, shifted by the pieces that somebody vouches for."""
    pieces = store.pieces(tag=CONFIRMED, limit=MOST_PIECES)
    return shifted(shipped_rates(), map(confirmed, pieces))


def confirmed(record: PieceRecord) -> Confirmed:
    """Return what a confirmed record says of the base rates.

    Its presences count as the parts that they are told with; so does its form (one step of
    the procedure of Saerens et al. 2002, section 3, over pieces whose grade is vouched for).
    """
    findings = record.findings
    return Confirmed(
        form=findings.form.p,
        there={what: findings.p_of(what) for what in findings.seen},
        source=findings.facts.source,
    )
