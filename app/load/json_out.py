"""Loads, buyers, prices, plans and tickets as JSON objects, for scripts.

Money that is owed and mass that was read are text with every decimal; what is expected
under doubt is a number, rounded. Keys only ever get added.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any

from app.json_lines import json_number
from app.load.bins import Bin, Load, Piece
from app.load.buyers import Buyer
from app.load.offer import Offer
from app.load.planning import Plan
from app.load.prices import Price
from app.load.risk import PullPlan
from app.load.settling import differences
from app.load.sorting import checks_of
from app.load.ticket import Ticket
from app.load.units import MassUnit, in_unit
from app.load.weights import Weight
from app.load.worth import Worth

Object = dict[str, Any]


def load_object(load: Load, *, unit: MassUnit) -> Object:
    """Return what lies in which bin (``cuproscope.load/1``)."""
    return {
        "schema": "cuproscope.load/1",
        "load": load.name,
        "kg": f"{load.kg:f}",
        "unit": str(unit),
        "mass": f"{in_unit(load.kg, unit):.4f}",
        "bins": [_bin(b) for b in load.bins],
        "checks": [
            {"check": check, "pieces": [piece.id for piece in pieces]}
            for check, pieces in checks_of(load)
        ],
    }


def _bin(b: Bin) -> Object:
    return {
        "name": b.name,
        "grade": b.grade,
        "weighed_as_a_whole": b.weighed is not None,
        "weight": _weight(b.weight),
        "pieces": [_piece(piece) for piece in b.pieces],
    }


def _piece(piece: Piece) -> Object:
    return {
        "id": piece.id,
        "name": piece.name,
        "grade": piece.likely,
        "p": {grade: json_number(p, 4) for grade, p in piece.p.items()},
        "weight": _weight(piece.weight),
        "settle": piece.settle,
        "record": piece.record,
        "photo": piece.photo,
        "lifts": [
            {"action": lift.action, "to": lift.to, "minutes": json_number(lift.minutes, 1)}
            for lift in piece.lifts
        ],
        "line": piece.line,
    }


def _weight(weight: Weight | None) -> Object | None:
    if weight is None:
        return None
    return {
        "kg": f"{weight.kg:f}",
        "u_kg": json_number(weight.u_kg, 5),
        "low95_kg": json_number(weight.low95_kg, 4),
        "high95_kg": json_number(weight.high95_kg, 4),
        "is": str(weight.origin),
        "how": weight.how,
    }


def buyers_object(buyers: Iterable[Buyer]) -> Object:
    """Return how each buyer buys (``cuproscope.load.buyers/1``)."""
    return {
        "schema": "cuproscope.load.buyers/1",
        "buyers": [
            {
                "name": buyer.name,
                "currency": buyer.currency,
                "sheet": buyer.sheet,
                "limits": {
                    name: {
                        "value": own.value,
                        "at_limit": None if own.at_limit is None else str(own.at_limit),
                    }
                    for name, own in buyer.limits.items()
                },
                "solder": str(buyer.solder),
                "fittings": str(buyer.fittings),
                "deduction": f"{buyer.deduction:f}",
                "least_kg": f"{buyer.least_kg:f}",
                "travel": f"{buyer.travel:f}",
                "forgiven": buyer.forgiven,
                "note": buyer.note,
            }
            for buyer in buyers
        ],
    }


def prices_object(prices: Iterable[Price], *, today: date) -> Object:
    """Return price lines, oldest first (``cuproscope.load.prices/1``)."""
    return {
        "schema": "cuproscope.load.prices/1",
        "prices": [
            {
                "buyer": price.buyer,
                "grade": price.grade,
                "amount": f"{price.amount:f}",
                "per": str(price.per),
                "currency": price.currency,
                "day": price.day.isoformat(),
                "from_kg": f"{price.from_kg:f}",
                "stale": price.is_stale(today),
            }
            for price in prices
        ],
    }


def plan_object(plan: Plan, *, unit: MassUnit) -> Object:
    """Return a plan (``cuproscope.load.plan/1``)."""
    return {
        "schema": "cuproscope.load.plan/1",
        "load": plan.load.name,
        "day": plan.terms.day.isoformat(),
        "offers": [_offer(offer) for offer in plan.offers],
        "best_is_better_p": None if plan.chance is None else json_number(plan.chance, 3),
        "split": None
        if plan.split is None
        else {
            "bins_of": {name: list(bins) for name, bins in plan.split.bins_of.items()},
            "kept_home": list(plan.split.kept_home),
            "net": json_number(plan.split.net, 2),
            "gain": json_number(plan.split.gain, 2),
        },
        "for_buyer": plan.terms.buyer.name,
        "pulls": {name: _pulls(found) for name, found in plan.pulls.items()},
        "evening": {
            "limit_minutes": plan.evening.limit_minutes,
            "minutes": json_number(plan.evening.minutes, 1),
            "hourly": plan.evening.hourly,
            "gain": json_number(plan.evening.gain, 2),
            "chosen": [_worth(worth) for worth in plan.evening.chosen],
            "left_out": [_worth(worth) for worth in plan.evening.left_out],
        },
        "break_even": [
            {
                "row": kind.row,
                "work": str(kind.work),
                "minutes": kind.lift.minutes,
                "from": found.from_grade,
                "to": found.to_grade,
                "gap_per_kg": json_number(found.gap_per_kg, 4),
                "least_kg": None if found.least_kg is None else json_number(found.least_kg, 4),
                "curve": [[json_number(gap, 4), json_number(kg, 4)] for gap, kg in found.curve],
            }
            for kind, found in plan.kinds
        ],
        "hold": [
            {
                "weeks": row.weeks,
                "kg": f"{row.kg:f}",
                "gain": json_number(row.gain, 2),
                "fall_share": json_number(row.fall_share, 4),
            }
            for row in plan.holds
        ],
        "no_weight": list(plan.weightless),
        "cautions": list(plan.cautions),
        "unit": str(unit),
    }


def _offer(offer: Offer) -> Object:
    return {
        "buyer": offer.buyer.name,
        "currency": offer.buyer.currency,
        "refused": offer.refused,
        "labelled": f"{offer.labelled:f}",
        "expected": json_number(float(offer.expected), 2),
        "u": json_number(offer.u, 2),
        "low95": json_number(offer.low95, 2),
        "high95": json_number(offer.high95, 2),
        "travel": f"{offer.travel:f}",
        "net": json_number(float(offer.net), 2),
        "kg": f"{offer.kg:f}",
        "unpriced": list(offer.unpriced),
        "stale": [price.grade for price in offer.stale],
        "lines": [
            {
                "bin": line.bin,
                "grade": line.grade,
                "kg": f"{line.kg:f}",
                "paid_kg": f"{line.paid_kg:f}",
                "estimated": line.estimated,
                "price": None if line.price is None else f"{line.price.amount:f}",
                "per": None if line.price is None else str(line.price.per),
                "amount": f"{line.amount:f}",
                "expected": json_number(float(line.expected), 2),
                "p_downgrade": json_number(line.risk.p_downgrade, 4),
            }
            for line in offer.lines
        ],
    }


def _pulls(found: PullPlan) -> Object:
    return {
        "first_first": [
            {
                "piece": pull.id,
                "gain": json_number(pull.gain, 2),
                "p_downgrade": json_number(pull.p_downgrade, 4),
            }
            for pull in found.pulls
        ],
        "gain": json_number(found.gain, 2),
        "p_downgrade": json_number(found.before.p_downgrade, 4),
        "p_downgrade_after": json_number(found.after.p_downgrade, 4),
        "alone": {piece: json_number(gain, 2) for piece, gain in found.alone.items()},
        "exact": found.is_exact,
    }


def _worth(worth: Worth) -> Object:
    job = worth.job
    return {
        "piece": job.piece,
        "name": job.name,
        "bin": job.bin,
        "work": str(job.work),
        "action": job.action,
        "to": job.to,
        "minutes": json_number(job.minutes, 1),
        "kg": json_number(job.kg, 4),
        "becomes": {
            "rises": json_number(job.becomes.rises, 4),
            "stays": json_number(job.becomes.stays, 4),
            "brass": json_number(job.becomes.brass, 4),
            "waste": json_number(job.becomes.waste, 4),
        },
        "gain": json_number(worth.gain, 2),
        "an_hour": json_number(worth.an_hour, 2),
        "pays": worth.pays,
        "photo": job.photo,
    }


def tickets_object(tickets: Sequence[Ticket]) -> Object:
    """Return tickets (``cuproscope.load.tickets/1``)."""
    return {
        "schema": "cuproscope.load.tickets/1",
        "tickets": [ticket_object(ticket) for ticket in tickets],
    }


def ticket_object(ticket: Ticket) -> Object:
    """Return one ticket (``cuproscope.load.ticket/1``)."""
    settled = ticket.settled
    return {
        "schema": "cuproscope.load.ticket/1",
        "code": ticket.code,
        "load": ticket.load,
        "buyer": ticket.buyer,
        "currency": ticket.currency,
        "day": ticket.day,
        "sheet": {
            "name": ticket.sheet,
            "title": ticket.sheet_title,
            "version": ticket.sheet_hash,
        },
        "labelled": f"{ticket.labelled:f}",
        "expected": f"{ticket.expected:f}",
        "low95": f"{ticket.low95:f}",
        "high95": f"{ticket.high95:f}",
        "travel": f"{ticket.travel:f}",
        "lines": [
            {
                "bin": line.bin,
                "grade": line.grade,
                "kg": f"{line.kg:f}",
                "estimated": line.estimated,
                "price": None if line.price is None else f"{line.price:f}",
                "per": str(line.per),
                "amount": f"{line.amount:f}",
                "expected": f"{line.expected:f}",
                "p_downgrade": json_number(line.p_downgrade, 4),
                "pieces": [piece.id for piece in line.pieces],
            }
            for line in ticket.lines
        ],
        "questioned": [
            {
                "piece": piece.id,
                "name": piece.name,
                "bin": line.bin,
                "p_wrong": json_number(piece.p_wrong, 4),
                "measured": list(piece.measured),
                "photo": piece.photo,
            }
            for line, piece in ticket.questioned
        ],
        "settled": None
        if settled is None
        else {
            "day": settled.day,
            "paid": f"{settled.paid:f}",
            "note": settled.note,
            "lines": [
                {
                    "bin": line.bin,
                    "grade": line.grade,
                    "amount": f"{line.amount:f}",
                    "kg": None if line.kg is None else f"{line.kg:f}",
                    "blamed": list(line.blamed),
                }
                for line in settled.lines
            ],
            "by_grade": [
                {
                    "grade": one.grade,
                    "labelled": f"{one.labelled:f}",
                    "expected": f"{one.expected:f}",
                    "paid": f"{one.paid:f}",
                    "difference": f"{one.difference:f}",
                }
                for one in differences(ticket)
            ],
        },
    }
