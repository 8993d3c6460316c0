"""Can a row of a sheet ever decide, and is there a piece that no row catches?

Answered exactly, not by trying pieces: the set of pieces that a row admits is a
box (an interval for each number, a set of names for each category); a row
decides somewhere if its box keeps a point after every earlier row has failed in
at least one of its conditions. The search goes through those choices and
returns a piece as proof, so that the answer can be checked by grading it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from rules.table import Comparison, Condition, Row
from rules.vocabulary import SHARE_OF_FINISH, VOCABULARY, Kind

# A sheet of the shipped size takes under a hundred steps.
MAX_STEPS = 20_000

_FINISH_SHARES = tuple(SHARE_OF_FINISH.values())

# Flags that have a share of the area: none of it where they are not there.
_WITH_SHARE = ("brass", "solder", "insulation")

_COUPLED = {
    *_FINISH_SHARES,
    *("form", "diameter", "strand_diameter"),
    *_WITH_SHARE,
    *(f"{presence}_share" for presence in _WITH_SHARE),
}

Piece = dict[str, float | bool | str]


class TooTangledError(Exception):
    """The search took too long; the sheet must be made simpler."""


@dataclass(frozen=True, slots=True)
class _Interval:
    low: float
    high: float
    low_open: bool = False
    high_open: bool = False

    @property
    def empty(self) -> bool:
        if self.low == self.high:
            return self.low_open or self.high_open
        return self.low > self.high

    def above(self, value: float, *, open_: bool) -> _Interval:
        if (value, open_) <= (self.low, self.low_open):
            return self
        return _Interval(value, self.high, open_, self.high_open)

    def under(self, value: float, *, open_: bool) -> _Interval:
        if (-value, open_) <= (-self.high, self.high_open):
            return self
        return _Interval(self.low, value, self.low_open, open_)

    def meet(self, other: _Interval) -> _Interval:
        return self.above(other.low, open_=other.low_open).under(other.high, open_=other.high_open)

    @property
    def middle(self) -> float:
        return self.low if self.low == self.high else (self.low + self.high) / 2


_Names = frozenset[str | bool]
_Box = dict[str, _Interval | _Names]

_NEGATED = {
    Comparison.AT_LEAST: Comparison.BELOW,
    Comparison.BELOW: Comparison.AT_LEAST,
    Comparison.MORE_THAN: Comparison.AT_MOST,
    Comparison.AT_MOST: Comparison.MORE_THAN,
    Comparison.IS: Comparison.IS_NOT,
    Comparison.ONE_OF: Comparison.IS_NOT,
    Comparison.IS_NOT: Comparison.ONE_OF,
}


def piece_decided_by(rows: Sequence[Row], index: int) -> Piece | None:
    """Return a piece that row ``index`` decides, None if there is none.

    Raises:
        TooTangledError: The sheet is too tangled to be checked.
    """
    return _search(rows[index].conditions, [row.conditions for row in rows[:index]])


def piece_caught_by_none(rows: Sequence[Row]) -> Piece | None:
    """Return a piece for which no row holds, None if some row always holds.

    Raises:
        TooTangledError: The sheet is too tangled to be checked.
    """
    return _search((), [row.conditions for row in rows])


def _search(wanted: Sequence[Condition], failing: list[tuple[Condition, ...]]) -> Piece | None:
    box = _everything()
    for condition in wanted:
        box = _with(box, condition)
    steps = 0

    def descend(box: _Box, rows: list[tuple[Condition, ...]]) -> Piece | None:
        nonlocal steps
        steps += 1
        if steps > MAX_STEPS:
            raise TooTangledError
        box = _physical(box)
        if not _possible(box):
            return None
        open_rows = []
        for conditions in rows:
            undecided = [c for c in conditions if not _always(box, c)]
            if any(not _leaves_some(box, c) for c in undecided):
                continue  # this row can't hold in here: nothing to do about it
            open_rows.append((undecided, conditions))
        if not open_rows:
            return _point(box)
        open_rows.sort(key=lambda pair: len(pair[0]))
        undecided, chosen = open_rows[0]
        rest = [conditions for _, conditions in open_rows if conditions is not chosen]
        kept = box
        for condition in undecided:
            found = descend(_with(kept, _negated(condition)), rest)
            if found is not None:
                return found
            kept = _with(kept, condition)  # the other half: no need to search twice
        return None

    return descend(box, failing)


def _everything() -> _Box:
    box: _Box = {}
    for term in VOCABULARY.values():
        if term.kind is Kind.NUMBER:
            box[term.name] = _Interval(0.0, term.high, low_open=term.high != 1.0)
        elif term.kind is Kind.FLAG:
            box[term.name] = frozenset((False, True))
        else:
            box[term.name] = frozenset(term.values)
    return box


def _negated(condition: Condition) -> Condition:
    if isinstance(condition.threshold, bool):
        return replace(condition, threshold=not condition.threshold)
    return replace(condition, comparison=_NEGATED[condition.comparison])


def _narrowed(now: _Interval | _Names, condition: Condition) -> _Interval | _Names:
    """Narrow the values of a finding by a condition on it."""
    threshold, comparison = condition.threshold, condition.comparison
    if isinstance(now, _Interval):
        assert isinstance(threshold, float)
        if comparison in (Comparison.AT_LEAST, Comparison.MORE_THAN):
            return now.above(threshold, open_=comparison is Comparison.MORE_THAN)
        return now.under(threshold, open_=comparison is Comparison.BELOW)
    if isinstance(threshold, bool):
        return now & {threshold if comparison is Comparison.IS else not threshold}
    assert isinstance(threshold, tuple)
    return now.difference(threshold) if comparison is Comparison.IS_NOT else now & set(threshold)


def _with(box: _Box, condition: Condition) -> _Box:
    """Narrow a box by one condition."""
    return {**box, condition.finding: _narrowed(box[condition.finding], condition)}


def _always(box: _Box, condition: Condition) -> bool:
    return not _nonempty(_narrowed(box[condition.finding], _negated(condition)))


def _leaves_some(box: _Box, condition: Condition) -> bool:
    """Whether a condition leaves anything of a box that is possible as it is."""
    narrowed = _narrowed(box[condition.finding], condition)
    if not _nonempty(narrowed):
        return False
    # Only these hang together with others; the rest of the box need not be looked at.
    return condition.finding not in _COUPLED or _possible({**box, condition.finding: narrowed})


def _nonempty(values: _Interval | _Names) -> bool:
    return not values.empty if isinstance(values, _Interval) else bool(values)


def _interval(box: _Box, name: str) -> _Interval:
    values = box[name]
    assert isinstance(values, _Interval)
    return values


def _names(box: _Box, name: str) -> _Names:
    values = box[name]
    assert isinstance(values, frozenset)
    return values


def _physical(box: _Box) -> _Box:
    """Narrow a box by what pieces are: no brass has no share, solid wire is one strand."""
    box = dict(box)
    for presence in _WITH_SHARE:
        share = _interval(box, f"{presence}_share")
        none = _Interval(0.0, 0.0)
        if not share.empty and share.meet(none).empty:
            box[presence] = _names(box, presence) & {True}
        if _names(box, presence) == {False}:
            box[f"{presence}_share"] = share.meet(none)
    if "wire" in _names(box, "form"):
        size = _interval(box, "diameter").meet(_interval(box, "strand_diameter"))
        if size.empty:
            box["form"] = _names(box, "form") - {"wire"}
        elif _names(box, "form") == {"wire"}:
            box["diameter"] = box["strand_diameter"] = size
    return box


def _possible(box: _Box) -> bool:
    if not all(map(_nonempty, box.values())):
        return False
    box = _physical(box)
    if not all(_nonempty(box[name]) for name in _COUPLED):
        return False
    shares = [_interval(box, name) for name in _FINISH_SHARES]
    least, most = sum(s.low for s in shares), sum(s.high for s in shares)
    room_below = least < 1 or (least == 1 and not any(s.low_open for s in shares))
    room_above = most > 1 or (most == 1 and not any(s.high_open for s in shares))
    return room_below and room_above


def _point(box: _Box) -> Piece:
    """Pick a piece out of a possible box."""
    piece: Piece = {}
    for name, values in box.items():
        if isinstance(values, _Interval):
            piece[name] = values.middle
        elif values <= {False, True}:
            piece[name] = False not in values
        else:
            names = sorted(str(value) for value in values)
            piece[name] = next((n for n in names if n != "wire"), names[0])
    for presence in _WITH_SHARE:
        if piece[presence] is False:
            piece[f"{presence}_share"] = 0.0
    shares = [_interval(box, name) for name in _FINISH_SHARES]
    least, span = sum(s.low for s in shares), sum(s.high - s.low for s in shares)
    part = (1 - least) / span if span else 0.0
    for name, share in zip(_FINISH_SHARES, shares, strict=True):
        piece[name] = share.low + part * (share.high - share.low)
    return piece
