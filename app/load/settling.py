"""What became of a ticket: what was paid, what it teaches, and what is left of the load.

The differences tell how this buyer grades.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal

from app.load.bins import Load
from app.load.ticket import PaidLine, Settlement, Ticket
from app.load.units import EXACT, LoadError, rounded, total
from app.load.weights import of_normal


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
