"""The ticket that goes along to the scale, and what became of it.

A ticket is a snapshot: bins, weights, grades and expected pay as they were, with the
sheet they were graded by. Once paid, the differences tell how this buyer grades.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from math import isfinite

from app.load.bins import Bin, Load, Piece, masses
from app.load.offer import Offer, offer_of
from app.load.terms import Terms
from app.load.units import (
    EXACT,
    MOST_KG,
    MOST_MONEY,
    LoadError,
    MassUnit,
    bounded,
    minor_digits,
    rounded,
    total,
)
from app.load.weights import of_normal

QUESTIONED_P = 0.05
"""Pieces likelier than this to be worse than their bin's grade go on the ticket."""

MOST_QUESTIONED = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class TicketPiece:
    """One piece of a bin, as the ticket keeps it.

    Attributes:
        id: Id within the load.
        name: What the person calls it.
        kg: Its mass, told off from the bin's where that was weighed.
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
    def kg(self) -> Decimal:
        """Mass of all bins."""
        return total(line.kg for line in self.lines)

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
            expected=_money(line.risk.expected, currency),
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
        # The lines' own, so that the column adds up on paper too.
        expected=total(line.expected for line in lines),
        low95=_money(offer.low95, currency),
        high95=_money(offer.high95, currency),
        travel=offer.travel,
        deduction=terms.buyer.deduction,
    )
    return ticket, offer


def settle(ticket: Ticket, lines: Sequence[PaidLine], *, day: date, note: str = "") -> Ticket:
    """Return the ticket with what was paid.

    Bins that are not named were paid as they stood on the ticket.

    Raises:
        LoadError: It is settled already, a bin or piece is not on it, a grade or an
            amount can't be.
    """
    if ticket.settled is not None:
        raise LoadError("was settled already; take that back first", where=ticket.code)
    by_bin = {line.bin: line for line in ticket.lines}
    told: dict[str, PaidLine] = {}
    for line in lines:
        on_ticket = by_bin.get(line.bin)
        if on_ticket is None:
            raise LoadError(f"no bin {line.bin!r} on this ticket", where=ticket.code)
        if line.bin in told:
            raise LoadError(f"bin {line.bin!r} stands twice", where=ticket.code)
        strangers = set(line.blamed) - {piece.id for piece in on_ticket.pieces}
        if strangers:
            raise LoadError(f"no piece {min(strangers)!r} in it", where=line.bin)
        told[line.bin] = replace(line, amount=rounded(line.amount, ticket.currency))
    whole = tuple(
        told.get(line.bin, PaidLine(bin=line.bin, grade=line.grade, amount=line.amount))
        for line in ticket.lines
    )
    return replace(ticket, settled=Settlement(day=day.isoformat(), lines=whole, note=note))


@dataclass(frozen=True, slots=True, kw_only=True)
class GradeDifference:
    """What one grade on the ticket brought against what it said."""

    grade: str
    title: str
    kg: Decimal
    labelled: Decimal
    expected: Decimal
    paid: Decimal

    @property
    def difference(self) -> Decimal:
        """Paid less what the label promised."""
        return EXACT.subtract(self.paid, self.labelled)


def differences(ticket: Ticket) -> tuple[GradeDifference, ...]:
    """Return what each grade brought against the ticket; they add up to the whole."""
    if ticket.settled is None:
        raise LoadError("is not settled yet", where=ticket.code)
    paid = {line.bin: line.amount for line in ticket.settled.lines}
    grades = dict.fromkeys(line.grade for line in ticket.lines)
    found = []
    for grade in grades:
        of_grade = [line for line in ticket.lines if line.grade == grade]
        found.append(
            GradeDifference(
                grade=grade,
                title=of_grade[0].title,
                kg=total(line.kg for line in of_grade),
                labelled=total(line.amount for line in of_grade),
                expected=total(line.expected for line in of_grade),
                paid=total(paid[line.bin] for line in of_grade),
            )
        )
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceOutcome:
    """What a settled ticket says of one recorded piece.

    Attributes:
        record: Id in the records.
        grade: Grade the buyer paid it as; None where the bin was downgraded and nobody
            said which piece did it: then nothing may be learned from it.
        paid: Its share of the bin's money.
        kg: Its share of the bin's weight.
        note: What happened, in words.
    """

    record: str
    grade: str | None
    paid: Decimal
    kg: Decimal
    note: str


def outcomes(ticket: Ticket, *, rank: Mapping[str, int]) -> tuple[PieceOutcome, ...]:
    """Return the outcome of each recorded piece on a settled ticket.

    A bin paid as its label says that each piece in it passed. A downgraded bin says so
    only of the pieces that the buyer blamed; of the others it says nothing, unless the
    blamed ones were named, when the others passed.

    Args:
        ticket: A settled one.
        rank: Order of the grade ids, 0 the best.
    """
    if ticket.settled is None:
        raise LoadError("is not settled yet", where=ticket.code)
    paid_of = {line.bin: line for line in ticket.settled.lines}
    found = []
    for line in ticket.lines:
        paid = paid_of[line.bin]
        shares = dealt_out(paid.amount, [piece.kg for piece in line.pieces], ticket.currency)
        passed = rank.get(paid.grade, 0) <= rank.get(line.grade, 0)
        for piece, share in zip(line.pieces, shares, strict=True):
            if piece.record is None:
                continue
            grade: str | None
            if passed or len(line.pieces) == 1 or piece.id in paid.blamed:
                grade, note = paid.grade, f"ticket {ticket.code}, bin {line.bin}"
            elif paid.blamed:
                grade, note = line.grade, f"ticket {ticket.code}: others in the bin were blamed"
            else:
                grade = None
                note = (
                    f"ticket {ticket.code}: bin {line.bin} was paid as {paid.grade}; "
                    "which piece cost it was not told"
                )
            found.append(
                PieceOutcome(record=piece.record, grade=grade, paid=share, kg=piece.kg, note=note)
            )
    return tuple(found)


def without_sold(load: Load, ticket: Ticket) -> Load:
    """Return the load without what a ticket sold.

    What was put into a bin after the ticket was written stays, with the bin; a bin that
    was weighed again since keeps what it weighs beyond the ticket.
    """
    bins = []
    sold_of = {line.bin: line for line in ticket.lines}
    for b in load.bins:
        line = sold_of.get(b.name)
        if line is None:
            bins.append(b)
            continue
        sold = {piece.id for piece in line.pieces}
        rest = tuple(piece for piece in b.pieces if piece.id not in sold)
        weighed = b.weighed
        if weighed is not None:
            kg = EXACT.subtract(weighed.kg, line.kg)
            weighed = of_normal(kg, weighed.u_kg, weighed.origin, weighed.how) if kg > 0 else None
        if rest or weighed is not None:
            bins.append(replace(b, pieces=rest, weighed=weighed))
    return replace(load, bins=tuple(bins))


def dealt_out(amount: Decimal, weights: Sequence[Decimal], currency: str) -> tuple[Decimal, ...]:
    """Return an amount dealt out by weight, in whole minor units that add up to it exactly.

    The largest remainders get the units that rounding down leaves over.
    """
    if not weights:
        return ()
    whole = total(weights)
    shares = [Decimal(1)] * len(weights) if whole == 0 else list(weights)
    whole = total(shares)
    step = rounded(Decimal(0), currency).as_tuple().exponent
    unit = Decimal(1).scaleb(int(step))
    exact = [EXACT.divide(EXACT.multiply(amount, share), whole) for share in shares]
    units = [int(EXACT.divide(one, unit)) for one in exact]
    left = int(EXACT.divide(amount, unit)) - sum(units)
    by_rest = sorted(
        range(len(exact)), key=lambda i: (-(EXACT.divide(exact[i], unit) - units[i]), i)
    )
    for index in by_rest[:left]:
        units[index] += 1
    return tuple(EXACT.multiply(unit, Decimal(one)) for one in units)


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
    weights = masses(bin_)
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
