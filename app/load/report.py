"""Loads, plans and tickets for people to read: plain text, 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from datetime import date
from decimal import Decimal

from app.load.bins import Bin, Load, Piece, told_weights
from app.load.buyers import Buyer, Stance
from app.load.offer import Offer
from app.load.planning import Plan
from app.load.prices import Price
from app.load.settling import differences
from app.load.sorting import TRAY, checks_of, sold_as
from app.load.ticket import Ticket
from app.load.units import (
    MassUnit,
    fine_digits,
    in_unit,
    limit_words,
    mass_words,
    money_words,
    told_together,
)
from app.load.weights import Weight
from app.load.worth import Worth
from app.report import COLUMNS, printable
from app.words import percent_of
from rules.sentences import sentence

_SOON_LEVEL = 0.2
"""A downgrade likelier than this is worth a line of its own."""


def load_text(load: Load, *, unit: MassUnit) -> str:
    """Return what lies in which bin."""
    if not load.bins:
        return f"{printable(load.name)}: nothing in it yet (cuproscope load add)\n"
    together = told_together((b.kg for b in load.bins), unit)
    about = "about " if load.is_estimated else ""
    lines = [f"{printable(load.name)}: {about}{together:f} {unit}"]
    for b in load.bins:
        lines += ["", _bin_head(b, unit)]
        weights = told_weights(b)
        for piece in b.pieces:
            told = f"{sold_as(piece)} {how_sure(piece)}"
            if piece.settle is not None:  # what it waits for stands below
                told = f"? {piece.likely}"
            known = weights.get(piece.id)
            weight = "no weight" if known is None else _short_weight(known, unit)
            lines.append(
                f"  {piece.id:<5}{printable(piece.name)[:36]:<37}{told:<17}{weight:>18}".rstrip()
            )
    for check, pieces in checks_of(load):
        which = ", ".join(piece.id for piece in pieces)
        told = f"{which}: {sentence(check)}"
        lines += ["", *textwrap.wrap(printable(told), COLUMNS, subsequent_indent="  ")]
    return "\n".join(lines) + "\n"


def how_sure(piece: Piece) -> str:
    """Return how sure a piece's grade is, as on the page of its photo; of a lot who says so."""
    if piece.findings is None:
        return "as said"
    known = piece.confidence
    return f"{percent_of(piece.p[piece.likely] if known is None else known)} %"


def _bin_head(b: Bin, unit: MassUnit) -> str:
    weight = b.weight
    told = "no weight yet" if weight is None else _weight(weight, unit)
    head = f"{printable(b.name)} ({'not sorted yet' if b.grade == TRAY else f'sold as {b.grade}'})"
    if b.is_empty:
        return f"{head}: empty"
    count = f"{len(b.pieces)} piece{'' if len(b.pieces) == 1 else 's'}"
    return f"{head}: {count}, {told}"


def _short_weight(weight: Weight, unit: MassUnit) -> str:
    """Return a weight without its interval: a piece has one line, its bin tells the doubt."""
    if not weight.is_estimated:
        return mass_words(weight.kg, unit)
    return f"about {estimate_figures(weight, unit)[0]} {unit}"


def _weight(weight: Weight, unit: MassUnit) -> str:
    if not weight.is_estimated:
        return mass_words(weight.kg, unit)
    told, low, high = estimate_figures(weight, unit)
    return f"about {told} ({low} to {high}) {unit}"


def estimate_figures(weight: Weight, unit: MassUnit) -> tuple[str, str, str]:
    """Return an estimated weight and both ends of its interval, in a unit."""
    digits = fine_digits(weight.kg, unit)
    told, low, high = (
        f"{in_unit(Decimal(repr(float(v))), unit):.{digits}f}"
        for v in (weight.kg, weight.low95_kg, weight.high95_kg)
    )
    return told, low, high


def buyers_text(buyers: Sequence[Buyer], *, unit: MassUnit) -> str:
    """Return how each buyer buys."""
    if not buyers:
        return "No buyer yet (cuproscope load buyer NAME --currency USD)\n"
    lines: list[str] = []
    for buyer in buyers:
        told = [f"pays in {buyer.currency}", f"sheet {buyer.sheet}"]
        for name, own in buyer.limits.items():
            value = "" if own.value is None else f" {own.value:g}"
            edge = "" if own.at_limit is None else f" ({own.at_limit} on the limit)"
            told.append(f"own {name}{value}{edge}")
        told += ["solder is let pass"] if buyer.solder is Stance.PASSES else []
        told += ["fittings are let pass"] if buyer.fittings is Stance.PASSES else []
        told += (
            [f"takes {float(100 * buyer.deduction):.4g} % off the weight"]
            if buyer.deduction
            else []
        )
        told += [f"from {limit_words(buyer.least_kg, unit)} on"] if buyer.least_kg else []
        told += [f"trip {money_words(buyer.travel, buyer.currency)}"] if buyer.travel else []
        told.append(
            f"overlooks {buyer.forgiven} wrong in a bin"
            if buyer.forgiven
            else "one wrong piece pulls the bin down"
        )
        lines += [printable(buyer.name), *_wrapped("; ".join(told))]
        lines += _wrapped(buyer.note) if buyer.note else []
    return "\n".join(lines) + "\n"


def prices_text(prices: Iterable[Price], *, today: date) -> str:
    """Return price lines, stale ones marked."""
    lines = []
    for price in prices:
        step = f" from {limit_words(price.from_kg, price.per)}" if price.from_kg else ""
        stale = f"  STALE, {price.age_days(today)} days old" if price.is_stale(today) else ""
        lines.append(
            f"{printable(price.buyer)[:24]:<25}{price.grade:<13}"
            f"{price.currency} {price.amount:f} a {price.per}{step}  {price.day}{stale}"
        )
    return "\n".join(lines) + "\n" if lines else "No price yet (cuproscope load price)\n"


def tickets_text(tickets: Sequence[Ticket]) -> str:
    """Return one line a ticket."""
    lines = []
    for ticket in tickets:
        paid = (
            "not settled"
            if ticket.settled is None
            else f"paid {money_words(ticket.settled.paid, ticket.currency)}"
        )
        lines.append(
            f"{ticket.code:<14}{printable(ticket.buyer)[:24]:<25}"
            f"{f'{ticket.mass:f} {ticket.unit}':>12}  expected "
            f"{money_words(ticket.expected, ticket.currency)}, {paid}"
        )
    return "\n".join(lines) + "\n" if lines else "No ticket yet (cuproscope load ticket BUYER)\n"


# ------------------------------------------------------------------------ plan


def plan_text(plan: Plan, *, unit: MassUnit) -> str:
    """Return the plan: buyers, pulls, the evening, from which weight on, waiting."""
    lines = [*_buyers_part(plan), *_pulls_part(plan), *_evening_part(plan, unit)]
    lines += [*_kinds_part(plan, unit), *_hold_part(plan, unit), *_heading("Mind")]
    for text in plan.cautions:
        lines += textwrap.wrap(text, COLUMNS, initial_indent="* ", subsequent_indent="  ")
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _buyers_part(plan: Plan) -> list[str]:
    lines = _heading("Which buyer")
    for offer in plan.offers:
        lines += _offer(offer, plan.terms.day)
    if plan.chance is not None and plan.offers[1].refused is None:
        first, second = plan.offers[0].buyer.name, plan.offers[1].buyer.name
        lines += _wrapped(
            f"{percent_of(plan.chance)} % likely: {first} leaves you more than {second}."
        )
    found = plan.split
    if found is not None and found.gain > 0.005 and len(found.bins_of) > 1:
        told = "; ".join(f"{', '.join(bins)} to {name}" for name, bins in found.bins_of.items())
        currency = plan.terms.buyer.currency
        lines += _wrapped(f"Split: {told}. That leaves {currency} {found.gain:,.2f} more.")
    elif found is not None and len(plan.offers) > 1:
        lines += _wrapped("Splitting the load between buyers does not pay.")
    return lines


def _offer(offer: Offer, day: date) -> list[str]:
    currency = offer.buyer.currency
    head = f"{printable(offer.buyer.name)[:30]:<31}"
    if offer.refused is not None:
        return [f"{head}{offer.refused}"]
    lines = [
        f"{head}{currency} {offer.net:>10,.2f} after travel; pays {offer.expected:,.2f}",
        f"{'':<31}likely {offer.low95:,.2f} to {offer.high95:,.2f}; "
        f"as labelled: {offer.labelled:,f}",
    ]
    for line in offer.lines:
        if line.risk.p_downgrade >= _SOON_LEVEL:
            lines += _wrapped(
                f"{percent_of(line.risk.p_downgrade)} % likely: bin {line.bin} is "
                f"paid as less than {line.grade}"
            )
    if offer.unpriced:
        lines += _wrapped(f"names no price for {', '.join(offer.unpriced)}: counted as nothing")
    if offer.stale:
        oldest = max(price.age_days(day) for price in offer.stale)
        lines += _wrapped(f"prices are up to {oldest} days old: ask before you go")
    return lines


def _pulls_part(plan: Plan) -> list[str]:
    currency = plan.terms.buyer.currency
    lines = _heading(f"What to pull before {printable(plan.terms.buyer.name)} sees it")
    names = {piece.id: printable(piece.name or piece.id) for piece in plan.load.pieces}
    pulled = False
    for name, found in plan.pulls.items():
        if found.pulls:
            before, after = (percent_of(one.p_downgrade) for one in (found.before, found.after))
            lines += _wrapped(
                f"{name}: {currency} {found.gain:+,.2f}, chance of being paid as less: {before} % "
                f"now, {after} % after" + ("" if found.is_exact else " (searched, not all tried)")
            )
        for number, pull in enumerate(found.pulls, start=1):
            pulled = True
            gain = pull_words(pull.gain, currency)
            lines += _wrapped(f"{number}. {pull.id} {names[pull.id]}: {gain}", first="    ")
    return lines if pulled else [*lines, "  Nothing: the bins are best as they are."]


def pull_words(gain: float, currency: str) -> str:
    """Return what pulling one more piece brings; the last bad one brings it all."""
    if abs(gain) < 0.005:
        return "nothing alone, only with the next one"
    return f"{currency} {gain:+,.2f}"


def an_hour_words(worth: Worth, currency: str) -> str:
    """Return what an hour of a job brings."""
    return f"{currency} {worth.an_hour:,.0f} an hour"


def _evening_part(plan: Plan, unit: MassUnit) -> list[str]:
    evening, currency = plan.evening, plan.terms.buyer.currency
    lines = _heading(
        f"Worth the time: {evening.minutes:.0f} of {evening.limit_minutes:.0f} min, "
        f"{currency} {evening.gain:,.2f}"
    )
    for number, worth in enumerate(evening.chosen, start=1):
        lines += _job(number, worth, currency, unit)
    if not evening.chosen:
        lines.append(f"  No job pays {currency} {evening.hourly:g} an hour.")
    for worth in evening.left_out[:5]:
        an_hour = an_hour_words(worth, currency) if worth.gain > 0 else "it costs"
        why = "no time left" if worth.pays else an_hour
        lines += _wrapped(f"leave {worth.job.piece} {worth.job.name}: {why}")
    if plan.weightless:
        lines += _wrapped(f"no weight, so not priced: {', '.join(plan.weightless[:6])}")
    return lines


def _job(number: int, worth: Worth, currency: str, unit: MassUnit) -> list[str]:
    job = worth.job
    mass = job.kg / float(unit.kg)
    parts = job.becomes
    becomes = [f"of its weight {100 * parts.rises:.0f} % to {job.to}"]
    becomes += [f"{100 * parts.stays:.0f} % stays"] if parts.stays else []
    becomes += [f"{100 * parts.brass:.0f} % as brass"] if parts.brass else []
    becomes += [f"{100 * parts.waste:.0f} % waste"] if parts.waste else []
    return [
        *_wrapped(
            f"{number}. {job.piece} {job.name} ({mass:.2f} {unit}, {job.bin}): {job.action}",
        ),
        *_wrapped(
            f"{currency} {worth.gain:+,.2f} in {job.minutes:.3g} min, "
            f"{an_hour_words(worth, currency)}; "
            f"{', '.join(becomes)}",
            first="     ",
        ),
    ]


def _kinds_part(plan: Plan, unit: MassUnit) -> list[str]:
    if not plan.evening.hourly or not plan.kinds:
        return []
    currency = plan.terms.buyer.currency
    lines = _heading(f"From which weight on a job pays {currency} {plan.evening.hourly:g} an hour")
    per = float(unit.kg)
    for kind, found in plan.kinds:
        least = "never at these prices"
        if found.least_kg is not None:
            least = f"from {found.least_kg / per:.2f} {unit}"
        lines.append(f"  {kind.words[:26]:<27}{found.from_grade} to {found.to_grade}: {least}")
    return lines


def _hold_part(plan: Plan, unit: MassUnit) -> list[str]:
    if not plan.holds:
        return []
    currency = plan.terms.buyer.currency
    lines = _heading("Go now, or wait and go once")
    best = max(plan.holds, key=lambda row: row.gain)
    for row in plan.holds:
        if row.weeks in (1, 2, 4, 8, 12) or row is best:
            lines.append(
                f"  {row.weeks:>2} weeks: {mass_words(row.kg, unit):>11}, waiting brings "
                f"{currency} {row.gain:+,.2f}; lost if prices fall by {100 * row.fall_share:.1f} %"
            )
    return lines


# --------------------------------------------------------------------- tickets


def settled_text(ticket: Ticket) -> str:
    """Return what a settled ticket brought against what it said, by grade."""
    settled = ticket.settled
    if settled is None:
        return tickets_text([ticket])
    lines = [f"{ticket.code}, {printable(ticket.buyer)}, paid {settled.day}"]
    for one in differences(ticket):
        lines.append(
            f"  {printable(one.title)[:22]:<23}ticket {one.labelled:>10,f}  expected "
            f"{one.expected:>10,f}  paid {one.paid:>10,f}  {one.difference:+,f}"
        )
    lines.append(
        f"  {'together':<23}ticket {ticket.labelled:>10,f}  expected "
        f"{ticket.expected:>10,f}  paid {settled.paid:>10,f}  "
        f"{settled.paid - ticket.labelled:+,f}"
    )
    return "\n".join(lines) + "\n"


def _heading(text: str) -> list[str]:
    return ["", text, "-" * min(COLUMNS, len(text))]


def _wrapped(text: str, *, first: str = "  ") -> list[str]:
    return textwrap.wrap(
        printable(text), COLUMNS, initial_indent=first, subsequent_indent=first + "  "
    )
