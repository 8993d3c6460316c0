"""What lies in which bin, and how heavy is it? Edits that never lose or make up a gram.

A load is a value: every edit gives a new one, so that what is stored is always a whole
load, before or after. A bin that was weighed as a whole keeps that reading; a piece that
is taken out carries its share of it away, and the two add up to the reading exactly.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from math import isfinite

from app.load.units import EXACT, LoadError, share_of, total
from app.load.weights import Weight, WeightOrigin, added, of_normal
from rules.findings import Findings
from rules.table import Lift

P_SUM_TOLERANCE = 0.01

MOST_PIECES = 5000

UNKNOWN_U_REL = 0.5
"""Relative doubt of a piece's share of a weighed bin where its size is not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One piece, or one lot of like pieces that were never photographed.

    Attributes:
        id: Short, unique within the load.
        name: What the person calls it.
        p: Probability of each grade id by the sheet it was graded with, adding up to 1.
        weight: Read or estimated; None where neither could be done.
        findings: What was measured, so that each buyer's rules can grade it anew; None for
            a lot, whose grade the person states.
        lifts: What would lift it.
        photo: SHA-256 of its photo, None without one.
        record: Id of the piece in the records, None where it is not kept there.
        sheet: Rule sheet that ``p`` is by.
        settle: The one check that would settle a borderline grade.
        line: What the trade sells it as, where that is another line than its grade
            (:attr:`rules.engine.Grading.line`).
        confidence: How sure its grade is, as it was told; None for a lot.
    """

    id: str
    name: str
    p: Mapping[str, float]
    weight: Weight | None = None
    findings: Findings | None = None
    lifts: tuple[Lift, ...] = ()
    photo: str | None = None
    record: str | None = None
    sheet: str = "house"
    settle: str | None = None
    line: str | None = None
    confidence: float | None = None

    def __post_init__(self) -> None:
        if not self.id.strip():
            raise LoadError("a piece needs an id", where="piece")
        if any(not (isfinite(p) and 0 <= p <= 1) for p in self.p.values()):
            raise LoadError("probabilities must be 0 to 1", where=self.id)
        if self.confidence is not None and not 0 <= self.confidence <= 1:
            raise LoadError("a confidence must be 0 to 1", where=self.id)
        if abs(sum(self.p.values()) - 1) > P_SUM_TOLERANCE:
            raise LoadError(f"probabilities add up to {sum(self.p.values()):.3f}", where=self.id)

    @property
    def likely(self) -> str:
        """The most likely grade."""
        return max(self.p, key=lambda grade: self.p[grade])


@dataclass(frozen=True, slots=True, kw_only=True)
class Bin:
    """A container that is sold as one grade.

    Attributes:
        name: What stands on it, unique within the load.
        grade: Grade id that it is sold as.
        pieces: What lies in it.
        weighed: Net reading of the whole bin; None where only pieces were weighed.
    """

    name: str
    grade: str
    pieces: tuple[Piece, ...] = ()
    weighed: Weight | None = None

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise LoadError("a bin needs a name", where="bin")

    @property
    def weight(self) -> Weight | None:
        """The reading of the whole, else the sum of the pieces; None where one is unknown.

        An empty bin that was not weighed has none either.
        """
        if self.weighed is not None or not self.pieces:
            return self.weighed
        weights = [piece.weight for piece in self.pieces if piece.weight is not None]
        if len(weights) < len(self.pieces):
            return None
        return added(weights)

    @property
    def kg(self) -> Decimal:
        """Mass of all in it that has a weight."""
        if self.weighed is not None:
            return self.weighed.kg
        return total(piece.weight.kg for piece in self.pieces if piece.weight is not None)

    @property
    def is_empty(self) -> bool:
        """Whether nothing is known to lie in it."""
        return self.weighed is None and not self.pieces

    @property
    def unweighed(self) -> tuple[Piece, ...]:
        """Pieces without any weight."""
        return tuple(piece for piece in self.pieces if piece.weight is None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """Everything that waits to be sold.

    Attributes:
        name: What the person calls it.
        bins: In the order in which they were made.
        given: The highest number that a piece of it was ever given: a ticket may still name a
            piece that is gone, so its id is never given to another one.
    """

    name: str
    bins: tuple[Bin, ...] = field(default_factory=tuple)
    given: int = field(default=0, compare=False)

    def __post_init__(self) -> None:
        names = [b.name for b in self.bins]
        ids = [piece.id for b in self.bins for piece in b.pieces]
        for what, listed in (("bin", names), ("piece", ids)):
            twice, times = next(iter(Counter(listed).most_common(1)), ("", 0))
            if times > 1:
                raise LoadError(f"{what} {twice!r} stands twice", where=self.name)
        if len(ids) > MOST_PIECES:
            raise LoadError(f"at most {MOST_PIECES} pieces", where=self.name)

    @property
    def pieces(self) -> tuple[Piece, ...]:
        """All pieces, bin by bin."""
        return tuple(piece for b in self.bins for piece in b.pieces)

    @property
    def taken(self) -> tuple[str, ...]:
        """Ids that are no longer free: those of its pieces, and the last one ever given."""
        return (f"p{self.given}", *(piece.id for piece in self.pieces))

    @property
    def kg(self) -> Decimal:
        """Mass of everything that has a weight."""
        return total(b.kg for b in self.bins)

    @property
    def is_estimated(self) -> bool:
        """Whether any of its mass was never on a scale."""
        known = (
            weight
            for b in self.bins
            for weight in ([b.weighed] if b.weighed else [piece.weight for piece in b.pieces])
        )
        return any(weight.is_estimated for weight in known if weight is not None)

    def bin(self, name: str) -> Bin:
        """Return a bin by its name."""
        for one in self.bins:
            if one.name == name:
                return one
        known = ", ".join(b.name for b in self.bins) or "none yet"
        raise LoadError(f"no bin {name!r}; there are: {known}", where="bin")

    def bin_of(self, piece_id: str) -> Bin:
        """Return the bin in which a piece lies."""
        for one in self.bins:
            if any(piece.id == piece_id for piece in one.pieces):
                return one
        raise LoadError(f"no piece {piece_id!r} in this load", where="piece")

    def piece(self, piece_id: str) -> Piece:
        """Return a piece by its id."""
        return next(p for p in self.bin_of(piece_id).pieces if p.id == piece_id)


def number_of(piece_id: str) -> int:
    """Return the number in an id such as p12; 0 for one that the program never gave."""
    told = piece_id.removeprefix("p")
    is_ours = piece_id != told and told.isascii() and told.isdigit() and len(told) < 10
    return int(told) if is_ours else 0


# ------------------------------------------------------------------------ edits


def with_bin(load: Load, new: Bin) -> Load:
    """Return the load with one more bin."""
    return replace(load, bins=(*load.bins, new))


def without_bin(load: Load, name: str) -> Load:
    """Return the load without a bin and what lies in it (sold, or given up)."""
    gone = load.bin(name)
    return replace(load, bins=tuple(b for b in load.bins if b is not gone))


def with_piece(load: Load, bin_name: str, piece: Piece) -> Load:
    """Return the load with a piece put into a bin.

    A weighed bin grows by the piece's weight; without one it can't be put in, as the
    reading would no longer hold.
    """
    if any(p.id == piece.id for p in load.pieces):
        raise LoadError(f"piece {piece.id!r} stands twice", where=load.name)
    target = load.bin(bin_name)
    weighed = target.weighed
    if weighed is not None:
        if piece.weight is None:
            raise LoadError(
                f"bin {bin_name!r} was weighed: weigh the piece first, or the bin again after it "
                "(load weigh)",
                where=piece.id,
            )
        weighed = _sum(weighed, piece.weight)
    load = replace(load, given=max(load.given, number_of(piece.id)))
    return _with(load, replace(target, pieces=(*target.pieces, piece), weighed=weighed))


def without_piece(load: Load, piece_id: str) -> tuple[Load, Piece]:
    """Return the load without a piece, and the piece with the weight that left with it."""
    source = load.bin_of(piece_id)
    piece = load.piece(piece_id)
    rest = tuple(p for p in source.pieces if p.id != piece_id)
    weighed = source.weighed
    if weighed is not None:
        piece = replace(piece, weight=masses(source)[piece_id])
        assert piece.weight is not None
        weighed = _difference(weighed, piece.weight) if rest else _nothing(weighed, piece.weight)
    return _with(load, replace(source, pieces=rest, weighed=weighed)), piece


def moved(load: Load, piece_id: str, to: str) -> Load:
    """Return the load with a piece in another bin; the load's mass is the same to the gram."""
    if load.bin_of(piece_id).name == load.bin(to).name:
        return load
    rest, piece = without_piece(load, piece_id)
    return with_piece(rest, to, piece)


def weighed_bin(load: Load, name: str, weight: Weight | None) -> Load:
    """Return the load with a bin's reading set, or taken back with None."""
    return _with(load, replace(load.bin(name), weighed=weight))


def weighed_piece(load: Load, piece_id: str, weight: Weight) -> Load:
    """Return the load with one piece's own weight; a reading of its bin stays as it is."""
    home = load.bin_of(piece_id)
    pieces = tuple(replace(p, weight=weight) if p.id == piece_id else p for p in home.pieces)
    return _with(load, replace(home, pieces=pieces))


def masses(bin_: Bin) -> dict[str, Weight]:
    """Return each piece's mass; in a weighed bin they add up to the reading exactly.

    Pieces that were put on the scale themselves keep their reading as long as the bin
    holds that much; the rest is told off by estimated weights, and evenly where there are
    none. Told-off weights count as estimated.

    Raises:
        LoadError: Neither the bin nor one of its pieces has a weight.
    """
    if not bin_.pieces:
        return {}
    if bin_.weighed is None:
        if bin_.unweighed:
            raise LoadError(
                f"{len(bin_.unweighed)} of {len(bin_.pieces)} pieces have no weight: weigh the "
                f"bin ({bin_.unweighed[0].name})",
                where=bin_.name,
            )
        return {p.id: p.weight for p in bin_.pieces if p.weight is not None}
    return _told_off(bin_.pieces, bin_.weighed)


def told_weights(bin_: Bin) -> dict[str, Weight]:
    """Return each piece's weight as page, report and ticket tell it; who has none is left out.

    What the scale showed of a piece stands, also where a whole bin's reading differs from the
    sum in its last digit: that reading is another one. All else is as in :func:`masses`.
    """
    own = {p.id: p.weight for p in bin_.pieces if p.weight is not None}
    if bin_.weighed is None:
        return own
    read = {name: weight for name, weight in own.items() if not weight.is_estimated}
    return masses(bin_) | read


def _told_off(pieces: tuple[Piece, ...], whole: Weight) -> dict[str, Weight]:
    known = [p for p in pieces if p.weight is not None and p.weight.origin is WeightOrigin.SCALE]
    known_kg = added([p.weight for p in known if p.weight is not None]).kg
    others = [p for p in pieces if p not in known]
    if known_kg > whole.kg or (not others and known_kg != whole.kg):
        known, others, known_kg = [], list(pieces), Decimal(0)
    result = {p.id: p.weight for p in known if p.weight is not None}
    left = EXACT.subtract(whole.kg, known_kg)
    sizes = _sizes(others)
    sum_of_sizes = sum(sizes)
    for piece, size in zip(others, sizes, strict=True):
        share = size / sum_of_sizes
        last = piece is others[-1]
        kg = left if last else min(left, share_of(EXACT.subtract(whole.kg, known_kg), share))
        left = EXACT.subtract(left, kg)
        u_rel = UNKNOWN_U_REL
        if piece.weight is not None and piece.weight.kg > 0:
            u_rel = piece.weight.u_kg / float(piece.weight.kg)
        if len(pieces) == 1:
            u_rel = whole.u_kg / float(whole.kg) if whole.kg else 0.0
        result[piece.id] = of_normal(
            kg, u_rel * float(kg), WeightOrigin.ESTIMATED, "share of the weighed bin"
        )
    return {piece.id: result[piece.id] for piece in pieces}


def _sizes(pieces: Iterable[Piece]) -> list[float]:
    known = [float(p.weight.kg) for p in pieces if p.weight is not None and p.weight.kg > 0]
    typical = sum(known) / len(known) if known else 1.0
    return [
        float(p.weight.kg) if p.weight is not None and p.weight.kg > 0 else typical for p in pieces
    ]


def _with(load: Load, changed: Bin) -> Load:
    return replace(load, bins=tuple(changed if b.name == changed.name else b for b in load.bins))


def _sum(a: Weight, b: Weight) -> Weight:
    whole = added([a, b])
    return replace(whole, how=a.how)


def _difference(whole: Weight, part: Weight) -> Weight:
    kg = EXACT.subtract(whole.kg, part.kg)
    u = (whole.u_kg**2 + part.u_kg**2) ** 0.5
    return of_normal(kg, u, whole.origin, whole.how)


def _nothing(whole: Weight, part: Weight) -> Weight | None:
    """An emptied bin has no reading left; all of it went with the last piece."""
    assert part.kg == whole.kg
    return None
