"""The ticket that goes along to the scale.

A ticket is a snapshot: bins, weights, grades and expected pay as they were, with the
sheet they were graded by. What becomes of it is in ``settling.py``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from math import isfinite

from app.load.bins import Bin, Load, Piece, told_weights
from app.load.offer import Offer, offer_of
from app.load.terms import Terms
from app.load.units import (
    MOST_KG,
    MOST_MONEY,
    LoadError,
    MassUnit,
    bounded,
    minor_digits,
    rounded,
    told_together,
    total,
)

QUESTIONED_P = 0.05
"""Pieces likelier than this to be worse than their bin's grade go on the ticket."""

MOST_QUESTIONED = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketPiece:
    """One piece of a bin, as the ticket keeps it.

    Attributes:
        id: Id within the load.
        name: What the person calls it.
        kg: Its mass: off the scale, else told off from its bin's, else estimated.
        p_wrong: Chance that it is worse than the bin's grade by this buyer's rules.
        likely: Its most likely grade there.
        settle: The one check that would settle it, None where nothing is in doubt.
        measured: What was measured, in words.
        photo: SHA-256 of its photo in the records.
        record: Its id in the records.
    """

    id: str
    name: str
    kg: Decimal
    p_wrong: float
    likely: str
    settle: str | None = None
    measured: tuple[str, ...] = ()
    photo: str | None = None
    record: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketLine:
    """One bin.

    Attributes:
        bin: Its name.
        grade: Grade id.
        title: What the grade is called.
        kg: Net weight.
        u_kg: Standard uncertainty of it.
        paid_kg: Weight after the deduction.
        estimated: Whether the weight is an estimate.
        price: For one ``per``; None where the buyer names none.
        per: Unit of the price.
        amount: Paid weight × price, rounded.
        p_downgrade: Chance that the bin is paid as less.
        expected: Expected pay, rounded.
        pieces: What lies in it.
    """

    bin: str
    grade: str
    title: str
    kg: Decimal
    u_kg: float
    paid_kg: Decimal
    estimated: bool
    price: Decimal | None
    per: MassUnit
    amount: Decimal
    p_downgrade: float
    expected: Decimal
    pieces: tuple[TicketPiece, ...] = ()

    def __post_init__(self) -> None:
        for kg in (self.kg, self.paid_kg, *(piece.kg for piece in self.pieces)):
            bounded(kg, what=f"{self.bin}, mass", high=MOST_KG)
        bounded(self.price or Decimal(0), what=f"{self.bin}, price", high=MOST_MONEY)
        for amount in (self.amount, self.expected):
            bounded(amount, what=f"{self.bin}, pay", high=MOST_KG * MOST_MONEY)
        chances = (self.p_downgrade, *(piece.p_wrong for piece in self.pieces))
        if not (isfinite(self.u_kg) and self.u_kg >= 0 and all(0 <= p <= 1 for p in chances)):
            raise LoadError("has a chance or a doubt that can't be", where=self.bin)


@dataclass(frozen=True, slots=True, kw_only=True)
class PaidLine:
    """What became of one bin at the scale.

    Attributes:
        bin: Its name.
        grade: Grade it was paid as.
        amount: What was paid for it.
        kg: Weight on the buyer's scale, None where not told.
        blamed: Ids of pieces that the buyer named as the reason.
    """

    bin: str
    grade: str
    amount: Decimal
    kg: Decimal | None = None
    blamed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        bounded(self.amount, what=f"{self.bin}, paid", high=MOST_KG * MOST_MONEY)
        bounded(self.kg or Decimal(0), what=f"{self.bin}, mass", high=MOST_KG)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settlement:
    """What was paid for a ticket, on ``day`` (ISO 8601); its lines add up to ``paid``."""

    day: str
    lines: tuple[PaidLine, ...]
    note: str = ""

    @property
    def paid(self) -> Decimal:
        """All that was paid."""
        return total(line.amount for line in self.lines)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket:
    """One sale, as it was expected and, once paid, as it came.

    Attributes:
        code: Short name, such as ``2026-03-20-1``.
        load: Name of the load.
        buyer: Name of the buyer.
        currency: ISO 4217 code.
        day: When it was written, ISO 8601.
        sheet: Name of the rule sheet.
        sheet_title: What the sheet is.
        sheet_hash: Hash of all its rows and limits: which version of it.
        unit: In which masses are shown.
        lines: Bin by bin.
        expected: Expected pay of the whole, rounded.
        low95: Lower end of its 95 % interval, rounded.
        high95: Upper end.
        travel: Cost of the trip.
        deduction: Share of the weight that the buyer keeps back.
        settled: What was paid; None until then.
    """

    code: str
    load: str
    buyer: str
    currency: str
    day: str
    sheet: str
    sheet_title: str
    sheet_hash: str
    unit: MassUnit
    lines: tuple[TicketLine, ...]
    expected: Decimal
    low95: Decimal
    high95: Decimal
    travel: Decimal
    deduction: Decimal
    settled: Settlement | None = None

    def __post_init__(self) -> None:
        # The code stands in file names and on pages: letters and digits, parted by hyphens.
        if re.fullmatch(r"[A-Za-z0-9](-?[A-Za-z0-9]){0,39}", self.code) is None:
            raise LoadError("is no code of a ticket", where=self.code[:40])
        _day(self.day, self.code)
        minor_digits(self.currency)
        if not self.lines:
            raise LoadError("has no line", where=self.code)
        for name in ("travel", "deduction"):
            bounded(getattr(self, name), what=f"{self.code}, {name}", high=MOST_MONEY)
        for amount in (self.expected, self.low95, self.high95):
            bounded(abs(amount), what=f"{self.code}, pay", high=MOST_KG * MOST_MONEY)
        bins = [line.bin for line in self.lines]
        if len(set(bins)) < len(bins):
            raise LoadError("names a bin twice", where=self.code)
        if self.settled is not None:
            _day(self.settled.day, self.code)
            if sorted(line.bin for line in self.settled.lines) != sorted(bins):
                raise LoadError("was not paid bin by bin", where=self.code)

    @property
    def labelled(self) -> Decimal:
        """Pay if every label holds: the sum of the lines."""
        return total(line.amount for line in self.lines)

    @property
    def mass(self) -> Decimal:
        """Mass of all bins in ``unit``, as the lines tell it: it adds up by hand."""
        return told_together((line.kg for line in self.lines), self.unit)

    @property
    def questioned(self) -> tuple[tuple[TicketLine, TicketPiece], ...]:
        """The pieces most likely to be questioned, the likeliest first, with their bin."""
        found = [
            (line, piece)
            for line in self.lines
            for piece in line.pieces
            if piece.p_wrong >= QUESTIONED_P
        ]
        return tuple(sorted(found, key=lambda one: -one[1].p_wrong)[:MOST_QUESTIONED])


def write_ticket(
    terms: Terms, load: Load, *, code: str, unit: MassUnit, sheet_hash: str
) -> tuple[Ticket, Offer]:
    """Return the ticket for taking a whole load to one buyer, and the offer behind it.

    Raises:
        LoadError: Nothing to sell, a bin without a weight, or a buyer who takes no so
            small a load.
    """
    offer = offer_of(terms, load)
    if not offer.lines:
        raise LoadError("there is nothing in this load yet", where=load.name)
    if offer.refused is not None:
        raise LoadError(offer.refused, where=terms.buyer.name)
    currency = terms.buyer.currency
    lines = tuple(
        TicketLine(
            bin=line.bin,
            grade=line.grade,
            title=terms.title_of(line.grade),
            kg=line.kg,
            u_kg=(weight.u_kg if (weight := load.bin(line.bin).weight) else 0.0),
            paid_kg=line.paid_kg,
            estimated=line.estimated,
            price=None if line.price is None else line.price.amount,
            per=unit if line.price is None else line.price.per,
            amount=line.amount,
            p_downgrade=line.risk.p_downgrade,
            expected=line.expected,
            pieces=_pieces(terms, load.bin(line.bin), line.grade),
        )
        for line in offer.lines
    )
    ticket = Ticket(
        code=code,
        load=load.name,
        buyer=terms.buyer.name,
        currency=currency,
        day=terms.day.isoformat(),
        sheet=terms.sheet.name,
        sheet_title=terms.sheet.title,
        sheet_hash=sheet_hash,
        unit=unit,
        lines=lines,
        expected=offer.expected,
        low95=_money(offer.low95, currency),
        high95=_money(offer.high95, currency),
        travel=offer.travel,
        deduction=terms.buyer.deduction,
    )
    return ticket, offer


def next_code(day: date, taken: Sequence[str]) -> str:
    """Return a fresh ticket code: the day and a number."""
    number = 1
    while f"{day.isoformat()}-{number}" in taken:
        number += 1
    return f"{day.isoformat()}-{number}"


def _day(text: str, where: str) -> None:
    try:
        date.fromisoformat(text)
    except ValueError as fault:
        raise LoadError(f"{text!r:.20} is no day", where=where) from fault


def _money(amount: float, currency: str) -> Decimal:
    return rounded(Decimal(repr(float(amount))), currency)


def _pieces(terms: Terms, bin_: Bin, grade: str) -> tuple[TicketPiece, ...]:
    label = terms.grades.index(grade)
    weights = told_weights(bin_)
    found = []
    for piece in bin_.pieces:
        chances = terms.chances(bin_, piece)
        grading = terms.grading_of(piece)
        found.append(
            TicketPiece(
                id=piece.id,
                name=piece.name,
                kg=weights[piece.id].kg,
                p_wrong=float(min(1.0, max(0.0, sum(chances[label + 1 :])))),
                likely=terms.grades[chances.index(max(chances))],
                settle=piece.settle if grading is None else grading.settle,
                measured=_measured(piece),
                photo=piece.photo,
                record=piece.record,
            )
        )
    return tuple(found)


def _measured(piece: Piece) -> tuple[str, ...]:
    if piece.findings is None:
        return ()
    from app.words import finish_words, form_words, seen_words, size_words

    lines = [form_words(piece.findings)]
    lines += [
        words for words in (size_words(piece.findings), finish_words(piece.findings)) if words
    ]
    return (*lines, *seen_words(piece.findings))
