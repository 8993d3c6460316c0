"""What does each buyer pay for this load, how sure is that, and who should get which bin?

What is owed if every label holds is exact, in Decimal, line by line. What is to be
expected carries the doubt of the grades (each bin's risk, exact) and of the weights; its
interval comes from draws of both (JCGM 101), the same draws for every buyer, so that the
difference between two buyers is known better than either pay.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import cached_property
from math import inf

import numpy as np
from numpy.typing import NDArray

from app.load.bins import Bin, Load, Piece, masses
from app.load.buyers import Buyer, seen_by, sheet_of
from app.load.prices import STALE_AFTER_DAYS, Price, PriceBook, price_for
from app.load.risk import BinRisk, PullPlan, RiskPiece, bin_risk, grades_paid, plan_pulls
from app.load.units import EXACT, LoadError, line_amount, total
from rules.engine import Grading, grade
from rules.table import RuleSheet

Array = NDArray[np.float64]

DRAWS = 10_000
SEED = 20_260

MOST_SPLIT_BINS = 10
"""So many bins are dealt out among buyers in every way; more would take minutes."""

INSULATED = "insulated"
"""Price list name for wire with its insulation on: it is set aside, and sold by recovery."""

BRASS = "brass"

OTHER_LINES = {INSULATED: "Insulated", BRASS: "Brass"}
"""What is no grade of copper and has a price of its own; a bin may be sold as one."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One bin on a ticket, if its label holds.

    Attributes:
        bin: Name of the bin.
        grade: Grade at this buyer.
        kg: Net weight, before the deduction.
        paid_kg: Weight that is paid.
        price: Price that holds for this much of the grade; None where they name none.
        amount: Paid weight × price, rounded to the minor unit; 0 without a price.
        estimated: Whether the weight is an estimate.
        risk: What may happen to the bin.
        pieces: How many pieces are listed in it.
    """

    bin: str
    grade: str
    kg: Decimal
    paid_kg: Decimal
    price: Price | None
    amount: Decimal
    estimated: bool
    risk: BinRisk
    pieces: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """What one buyer is to pay for a load.

    Attributes:
        buyer: The buyer.
        lines: Bin by bin; their amounts add up to ``labelled`` exactly.
        labelled: Pay if every label holds.
        expected: Expected pay, the grades' doubt counted in.
        u: Standard uncertainty of the pay.
        low95: Lower end of the pay's 95 % interval.
        high95: Upper end.
        travel: Cost of the trip.
        net: Expected pay less travel.
        kg: Mass that goes there.
        stale: Prices that are too old to count on.
        unpriced: Grades without a price here.
        refused: Why the buyer would not take it, in words; None where they would.
        draws: The drawn pays, travel not taken off.
    """

    buyer: Buyer
    lines: tuple[Line, ...]
    labelled: Decimal
    expected: float
    u: float
    low95: float
    high95: float
    travel: Decimal
    net: float
    kg: Decimal
    stale: tuple[Price, ...]
    unpriced: tuple[str, ...]
    refused: str | None
    draws: Array


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


def offer_of(
    terms: Terms,
    load: Load,
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    stale_after_days: int = STALE_AFTER_DAYS,
) -> Offer:
    """Return what a buyer is to pay for a load.

    Raises:
        LoadError: A bin has no weight.
    """
    bins = [b for b in load.bins if not b.is_empty]
    _need_weights(bins)
    kg_of_label: dict[str, Decimal] = {}
    for b in bins:
        label = terms.label_of(b)
        kg_of_label[label] = EXACT.add(kg_of_label.get(label, Decimal(0)), _kg(b))
    lines = tuple(_line(terms, b, kg_of_label) for b in bins)
    drawn = np.zeros(draws)
    for b in bins:
        drawn += _drawn_pay(terms, b, kg_of_label, draws=draws, seed=seed)
    kg = total(line.kg for line in lines)
    expected = sum(line.risk.expected for line in lines)
    travel = terms.buyer.travel
    low, high = (float(v) for v in np.quantile(drawn, (0.025, 0.975))) if bins else (0.0, 0.0)
    refused = None
    if kg < terms.buyer.least_kg:
        refused = f"takes no less than {terms.buyer.least_kg.normalize():f} kg"
    used = {line.grade for line in lines}
    return Offer(
        buyer=terms.buyer,
        lines=lines,
        labelled=total(line.amount for line in lines),
        expected=expected,
        u=float(drawn.std()),
        low95=low,
        high95=high,
        travel=travel,
        net=expected - float(travel),
        kg=kg,
        stale=tuple(
            p
            for p in terms.prices
            if p.grade in used and p.is_stale(terms.day, after_days=stale_after_days)
        ),
        unpriced=tuple(dict.fromkeys(line.grade for line in lines if line.price is None)),
        refused=refused,
        draws=drawn,
    )


def compare(terms: Sequence[Terms], load: Load, *, draws: int = DRAWS) -> tuple[Offer, ...]:
    """Return every buyer's offer, the best first; those who would not take it last.

    Raises:
        LoadError: They pay in different currencies: no exchange rate is known here.
    """
    one_currency(terms)
    offers = [offer_of(one, load, draws=draws) for one in terms]
    return tuple(sorted(offers, key=lambda o: (o.refused is not None, -o.net)))


def chance_better(a: Offer, b: Offer) -> float:
    """Return how likely the first buyer leaves more than the second, travel counted in."""
    difference = (a.draws - float(a.travel)) - (b.draws - float(b.travel))
    return float((difference > 0).mean() + 0.5 * (difference == 0).mean())


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


# -------------------------------------------------------------------- bin risk


def pulls_for(terms: Terms, bin_: Bin) -> PullPlan:
    """Return which pieces to pull from a bin before it goes to this buyer.

    A pulled piece is counted at what it brings with its own kind: in the bin of the grade
    that it most likely belongs in, below this one.
    """
    label, per_kg, pieces = _as_risk(terms, bin_, {terms.label_of(bin_): _kg(bin_)})
    return plan_pulls(pieces, label=label, per_kg=per_kg, forgiven=terms.buyer.forgiven)


# ----------------------------------------------------------------------- split


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """Which bins go to which buyer.

    Attributes:
        bins_of: Names of the bins of each buyer who gets any.
        kept_home: Bins that nobody pays for.
        net: Expected pay of all trips less their cost.
        best_single: The most that one buyer alone leaves.
        best_buyer: Who that is; None where nobody takes the whole load.
        gain: What splitting brings over that.
    """

    bins_of: Mapping[str, tuple[str, ...]]
    kept_home: tuple[str, ...]
    net: float
    best_single: float
    best_buyer: str | None
    gain: float


def split(terms: Sequence[Terms], load: Load) -> Split:
    """Return the best way to deal the bins out among the buyers, every way tried.

    Counts each buyer's travel once, their least weight, and prices that step with the
    weight of a grade.

    Raises:
        LoadError: More than ten bins, or buyers with different currencies.
    """
    one_currency(terms)
    bins = [b for b in load.bins if not b.is_empty]
    if len(bins) > MOST_SPLIT_BINS:
        raise LoadError(
            f"{len(bins)} bins; at most {MOST_SPLIT_BINS} can be dealt out: put bins of one grade "
            "together",
            where=load.name,
        )
    sets = 1 << len(bins)
    worth = [_worth_of_sets(one, bins) for one in terms]
    # best[s]: the most that the buyers so far leave for the bins in s; what is left stays home.
    best = np.zeros(sets)
    given: list[NDArray[np.int64]] = []
    for values in worth:
        reached, chosen = best.copy(), np.zeros(sets, dtype=np.int64)
        for whole in range(sets):
            part = whole
            while part:
                value = best[whole ^ part] + values[part]
                if value > reached[whole] + 1e-9:
                    reached[whole], chosen[whole] = value, part
                part = (part - 1) & whole
        best = reached
        given.append(chosen)
    left, bins_of = sets - 1, {}
    for one, chosen in zip(reversed(terms), reversed(given), strict=True):
        part = int(chosen[left])
        if part:
            bins_of[one.buyer.name] = tuple(b.name for i, b in enumerate(bins) if part >> i & 1)
        left ^= part
    singles = [float(values[-1]) if bins else 0.0 for values in worth]
    top = max(range(len(terms)), key=lambda i: singles[i])
    single = singles[top]
    found = single > -inf
    return Split(
        bins_of={
            one.buyer.name: bins_of[one.buyer.name] for one in terms if one.buyer.name in bins_of
        },
        kept_home=tuple(b.name for i, b in enumerate(bins) if left >> i & 1),
        net=float(best[-1]),
        best_single=single if found else 0.0,
        best_buyer=terms[top].buyer.name if found else None,
        gain=float(best[-1]) - (single if found else 0.0),
    )


def _worth_of_sets(terms: Terms, bins: Sequence[Bin]) -> Array:
    """Return what each set of bins leaves at one buyer, minus infinity where not taken."""
    forgiven = terms.buyer.forgiven
    labels = [terms.label_of(b) for b in bins]
    kg = [_kg(b) for b in bins]
    chances = []
    for b in bins:
        label, _, pieces = _as_risk(terms, b, {})
        ones = [0.0] * len(terms.grades)
        chances.append(bin_risk(pieces, label=label, per_kg=ones, forgiven=forgiven).p_grade)
    values = np.full(1 << len(bins), -inf)
    values[0] = 0.0
    for number in range(1, len(values)):
        inside = [i for i in range(len(bins)) if number >> i & 1]
        if sum((kg[i] for i in inside), Decimal(0)) < terms.buyer.least_kg:
            continue
        of_label: dict[str, Decimal] = {}
        for i in inside:
            of_label[labels[i]] = EXACT.add(of_label.get(labels[i], Decimal(0)), kg[i])
        paid = 0.0
        for i in inside:
            prices = _prices(terms, kg[i], of_label)
            paid += float(kg[i]) * sum(c * p for c, p in zip(chances[i], prices, strict=True))
        values[number] = paid - float(terms.buyer.travel)
    return values


# ------------------------------------------------------------------------ hold


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """Waiting so many weeks and going once, against going now and again then.

    Attributes:
        weeks: How long.
        kg: What the load then weighs.
        go_twice: Pay of both trips less both trips' cost.
        go_once: Pay of the one trip less its cost.
        gain: What waiting brings.
        fall_share: Fall of all prices, as a share, that would eat the gain; 0 or less where
            waiting brings nothing.
    """

    weeks: int
    kg: Decimal
    go_twice: float
    go_once: float
    gain: float
    fall_share: float


def hold(
    terms: Terms,
    load: Load,
    *,
    kg_a_week: Mapping[str, Decimal],
    weeks: int = 12,
) -> tuple[Hold, ...]:
    """Return what waiting brings, for each number of weeks from 1 on.

    Args:
        terms: The buyer.
        load: What there is now.
        kg_a_week: How much of each grade comes in, as the person reckons.
        weeks: How far to look.

    Both ways sell the same copper, so only three things differ: one trip's cost, the
    price steps and the least weight, and what prices do while it lies there.
    """
    now: dict[str, Decimal] = {}
    for b in load.bins:
        if b.is_empty:
            continue
        label = terms.label_of(b)
        now[label] = EXACT.add(now.get(label, Decimal(0)), _kg(b))
    rows = []
    for week in range(1, weeks + 1):
        later = {grade: EXACT.multiply(kg, Decimal(week)) for grade, kg in kg_a_week.items()}
        both = {
            grade: EXACT.add(now.get(grade, Decimal(0)), later.get(grade, Decimal(0)))
            for grade in sorted({*now, *later})
        }
        once = _labelled_net(terms, both)
        twice = _labelled_net(terms, now) + _labelled_net(terms, later)
        # Only what lies there now risks the fall; the rest is sold on the later day either way.
        lying = _labelled_pay(terms, now)
        gain = once - twice
        rows.append(
            Hold(
                weeks=week,
                kg=total(both.values()),
                go_twice=twice,
                go_once=once,
                gain=gain,
                fall_share=gain / lying if lying > 0 else 0.0,
            )
        )
    return tuple(rows)


def _labelled_pay(terms: Terms, kg_of: Mapping[str, Decimal]) -> float:
    paid = 0.0
    for grade_id, kg in kg_of.items():
        price = terms.per_kg(grade_id, kg)
        paid += 0.0 if price is None else float(EXACT.multiply(price, kg))
    return paid


def _labelled_net(terms: Terms, kg_of: Mapping[str, Decimal]) -> float:
    """Return pay less travel; a load that is not taken stays home and costs nothing."""
    kg = total(kg_of.values())
    if kg <= 0 or kg < terms.buyer.least_kg:
        return 0.0
    return max(0.0, _labelled_pay(terms, kg_of) - float(terms.buyer.travel))


# ----------------------------------------------------------------------- parts


def _line(terms: Terms, bin_: Bin, kg_of_label: Mapping[str, Decimal]) -> Line:
    label_rank, per_kg, pieces = _as_risk(terms, bin_, kg_of_label)
    label = terms.grades[label_rank]
    weight = bin_.weight
    assert weight is not None
    price = price_for(terms.prices, label, kg=kg_of_label[label])
    paid_kg = EXACT.multiply(weight.kg, terms.buyer.kept)
    amount = (
        Decimal(0)
        if price is None
        else line_amount(paid_kg, price=price.amount, per=price.per, currency=price.currency)
    )
    return Line(
        bin=bin_.name,
        grade=label,
        kg=weight.kg,
        paid_kg=paid_kg,
        price=price,
        amount=amount,
        estimated=weight.is_estimated,
        risk=bin_risk(pieces, label=label_rank, per_kg=per_kg, forgiven=terms.buyer.forgiven),
        pieces=len(bin_.pieces),
    )


def _as_risk(
    terms: Terms, bin_: Bin, kg_of_label: Mapping[str, Decimal]
) -> tuple[int, list[float], list[RiskPiece]]:
    """Return label rank, pay per kg of each rank, and the pieces, for the arithmetic of risk."""
    grades = terms.grades
    label = grades.index(terms.label_of(bin_))
    per_kg = _prices(terms, _kg(bin_), kg_of_label)
    if not bin_.pieces:
        # Weighed as a whole, never looked at piece by piece: taken at its word.
        sure = tuple(float(rank == label) for rank in range(len(grades)))
        kg = float(_kg(bin_))
        return label, per_kg, [RiskPiece(id=bin_.name, p=sure, kg=kg, apart=kg * per_kg[label])]
    weights = masses(bin_)
    pieces = []
    for piece in bin_.pieces:
        chances = terms.chances(bin_, piece)
        kg = float(weights[piece.id].kg)
        pieces.append(
            RiskPiece(
                id=piece.id,
                p=chances,
                kg=kg,
                apart=kg * _apart(chances, label, per_kg, grades=len(terms.sheet.grade_ids)),
            )
        )
    return label, per_kg, pieces


def _apart(chances: Sequence[float], label: int, per_kg: Sequence[float], *, grades: int) -> float:
    """Return the pay for a kilogram of a piece in the bin that it belongs in instead.

    That is the bin of its most likely grade; where that is this bin's own, the most likely
    one below, for the case that it is wrong here. There too it is paid as less if it is.
    What is sold by another line stays there.
    """
    if label >= grades:
        return per_kg[label]
    to = max(range(grades), key=lambda rank: (chances[rank], -rank))
    below = range(label + 1, grades)
    if to == label and below:
        to = max(below, key=lambda rank: (chances[rank], -rank))
    return sum(chances[rank] * per_kg[max(rank, to)] for rank in range(grades))


def _prices(terms: Terms, kg: Decimal, kg_of_label: Mapping[str, Decimal]) -> list[float]:
    prices = (terms.per_kg(g, kg_of_label.get(g, kg)) for g in terms.grades)
    return [0.0 if price is None else float(price) for price in prices]


def _drawn_pay(
    terms: Terms, bin_: Bin, kg_of_label: Mapping[str, Decimal], *, draws: int, seed: int
) -> Array:
    label, per_kg, pieces = _as_risk(terms, bin_, kg_of_label)
    weight = bin_.weight
    assert weight is not None
    kg = float(weight.kg) + weight.u_kg * _stream(seed, f"bin {bin_.name}").standard_normal(draws)
    ranks = np.empty((draws, len(pieces)), dtype=np.intp)
    for column, piece in enumerate(pieces):
        # The same number for the same piece at every buyer: a piece that one finds good
        # the other is likely to find good as well.
        u = _stream(seed, f"piece {piece.id}").random(draws)
        edges = np.cumsum(piece.p) / max(sum(piece.p), 1e-12)
        ranks[:, column] = np.minimum(np.searchsorted(edges, u), len(edges) - 1)
    paid = grades_paid(ranks, label=label, forgiven=terms.buyer.forgiven)
    pay: Array = np.maximum(kg, 0.0) * np.asarray(per_kg)[paid]
    return pay


def _stream(seed: int, name: str) -> np.random.Generator:
    words = np.frombuffer(name.encode().ljust(4 * -(-len(name.encode()) // 4)), dtype=np.uint32)
    return np.random.default_rng([seed, *map(int, words)])


def _need_weights(bins: Sequence[Bin]) -> None:
    """Name every bin that is still to be weighed at once, with the command that does it."""
    light = [b for b in bins if b.weight is None]
    if len(light) < 2:
        for b in light:
            _kg(b)
        return
    told = ", ".join(f"{b.name} ({len(b.unweighed)} of {len(b.pieces)} pieces)" for b in light)
    raise LoadError(
        f"{len(light)} bins have pieces without a weight: {told}. Put each bin on the scale "
        f'(load weigh "{light[0].name}" READING)',
        where="load",
    )


def _kg(bin_: Bin) -> Decimal:
    weight = bin_.weight
    if weight is None:
        missing = bin_.unweighed
        raise LoadError(
            f"{len(missing)} of {len(bin_.pieces)} pieces have no weight "
            f"({missing[0].name or missing[0].id}): put the bin on the scale "
            f'(load weigh "{bin_.name}" READING)',
            where=f"bin {bin_.name}",
        )
    return weight.kg
