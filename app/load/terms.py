"""By which rules, prices and names does one buyer take this load on one day?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import cached_property

from app.load.bins import Bin, Piece
from app.load.buyers import Buyer, seen_by, sheet_of
from app.load.prices import Price, PriceBook, price_for
from app.load.units import EXACT, LoadError
from rules.engine import Grading, grade
from rules.sheet import load_sheet
from rules.table import RuleSheet

INSULATED = "insulated"
"""Price list name for wire with its insulation on: it is set aside, and sold by recovery."""

BRASS = "brass"

OTHER_LINES = {INSULATED: "Insulated", BRASS: "Brass"}
"""What is no grade of copper and has a price of its own; a bin may be sold as one."""


def grade_titles(sheet: str = "house") -> dict[str, str]:
    """Return what a bin may be sold as, by grade id, best first."""
    found = {grade.id: grade.title for grade in load_sheet(sheet).grades}
    return {**found, **OTHER_LINES}


def title_of(grade: str) -> str:
    """Return what a grade of any shipped sheet is called; its id where none knows it."""
    return grade_titles().get(grade, grade)


@dataclass(frozen=True, kw_only=True)
class Terms:
    """One buyer on one day: rules, prices, and how they see each piece."""

    buyer: Buyer
    prices: tuple[Price, ...]
    day: date

    @cached_property
    def sheet(self) -> RuleSheet:
        """Their rule sheet."""
        return sheet_of(self.buyer)

    @cached_property
    def grades(self) -> tuple[str, ...]:
        """The sheet's grades, best first, and behind them what is sold by another line."""
        return (*self.sheet.grade_ids, *OTHER_LINES)

    def title_of(self, grade_id: str) -> str:
        """Return what a grade is called."""
        return OTHER_LINES.get(grade_id) or self.sheet.title_of(grade_id)

    def chances(self, bin_: Bin, piece: Piece) -> tuple[float, ...]:
        """Return a piece's chances in the order of :attr:`grades`.

        What is sold by another line, and a lot of grades that this buyer's sheet does not
        know, is taken at its bin's word.
        """
        label = self.label_of(bin_)
        p = {} if label in OTHER_LINES else self.p_of(piece)
        if not p:
            return tuple(float(grade_id == label) for grade_id in self.grades)
        return tuple(p.get(grade_id, 0.0) for grade_id in self.grades)

    @cached_property
    def _graded(self) -> dict[str, Grading]:
        return {}

    def grading_of(self, piece: Piece) -> Grading | None:
        """Return a piece's grading by this buyer's rules, None for a lot without findings."""
        if piece.findings is None:
            return None
        if piece.id not in self._graded:
            seen = seen_by(self.buyer, piece.findings)
            self._graded[piece.id] = grade(seen, self.sheet)
        return self._graded[piece.id]

    def p_of(self, piece: Piece) -> Mapping[str, float]:
        """Return the chances of each grade by this buyer's rules.

        A lot without findings keeps the chances it was given, if the sheet knows its grades.
        """
        grading = self.grading_of(piece)
        if grading is not None:
            return grading.p
        return piece.p if set(piece.p) <= set(self.sheet.grade_ids) else {}

    def label_of(self, bin_: Bin) -> str:
        """Return the bin's grade as this buyer calls it.

        Where their sheet has other grades, the bin goes as what most of its mass likely is.
        """
        if bin_.grade in self.grades:
            return bin_.grade
        heavy: dict[str, float] = {}
        for piece in bin_.pieces:
            p = self.p_of(piece)
            if p:
                likely = max(p, key=lambda grade: p[grade])
                kg = 1.0 if piece.weight is None else float(piece.weight.kg)
                heavy[likely] = heavy.get(likely, 0.0) + kg
        return max(heavy, key=lambda grade: heavy[grade]) if heavy else self.sheet.grade_ids[-1]

    def per_kg(self, grade: str, kg: Decimal) -> Decimal | None:
        """Return what a kilogram of a grade brings after the deduction, None where unpriced."""
        price = price_for(self.prices, grade, kg=kg)
        return None if price is None else EXACT.multiply(price.per_kg, self.buyer.kept)

    @cached_property
    def loose_per_kg(self) -> dict[str, float]:
        """What a kilogram of each grade, of brass and of insulated wire brings, in any amount."""
        found = {one: self.per_kg(one, Decimal(0)) for one in self.grades}
        return {one: float(price) for one, price in found.items() if price is not None}


def terms_of(buyer: Buyer, book: PriceBook, *, on: date) -> Terms:
    """Return a buyer's terms on a day.

    Raises:
        LoadError: Their prices are in another currency than they pay in.
    """
    prices = book.current(buyer.name, on=on)
    for price in prices:
        if price.currency != buyer.currency:
            raise LoadError(
                f"pays in {buyer.currency}, but the price of {price.grade} is in {price.currency}",
                where=buyer.name,
            )
    return Terms(buyer=buyer, prices=prices, day=on)


def one_currency(terms: Sequence[Terms]) -> str:
    """Return the one currency of all buyers."""
    currencies = sorted({one.buyer.currency for one in terms})
    if len(currencies) > 1:
        raise LoadError(
            f"buyers pay in {' and '.join(currencies)}; compare those of one currency",
            where="currency",
        )
    if not currencies:
        raise LoadError("no buyer yet; add one (load buyer NAME)", where="buyer")
    return currencies[0]
