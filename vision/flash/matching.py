"""Which piece of the second photo is which of the first, and where is the same spot on it?

Nothing is aligned by pixels: a hand moves between two photos. Each photo is laid flat by its
own reference, then every outline must cover its like, one to one. Without a reference the
pieces themselves say how the phone moved, as far as a hand moves it. What moved, turned or is
another piece covers nothing, and is left out: a wrong pair would tell of another surface.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations, permutations, product

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.reference.plane import mapped
from vision.reference.references import CARD_HEIGHT_MM, CARD_WIDTH_MM
from vision.types import FloatArray, Scale

Outlines = Sequence[FloatArray]

LEAST_OVERLAP = 0.72
"""Common area over joint area from which two outlines are of one piece."""

SLACK_MM, SLACK_OF_WIDTH, SLACK_K = 1.5, 0.12, 2.0
"""Outlines may lie so far apart: a reference's own error; the parallax of a thick piece's rim,
as the lens moves by a hand's shake; and so many times what both scales doubt the way from the
reference."""

SLACK_OF_FRAME = 0.015
"""The same without a reference, as a share of the photo's longer side."""

MOST_SLACK_MM = 8.0
"""No further, however little the reference knows of places far from it: what was moved by a
finger's breadth would count."""

APART_OF_LENGTH, LENGTH_U = 0.04, 0.01
"""Beyond that slack the middles of two outlines may lie so far apart, as a share of the piece's
length: an end in glare or shadow is cut short. Then one outline is twice that shorter, to so much
of its length; what was pushed along its own length is not."""

LOG_AREA = 0.35
"""Natural logarithm by which areas may differ: glare eats into an outline, a shadow adds."""

HAND_TURNS_DEG = tuple(np.arange(-12.0, 13.0, 2.0))
"""How far a hand turns the phone between two photos."""

SIDES = 2
"""A card lies one way or the other; what may lie in more ways tells no direction."""

HAND_LOG_SIZE, HAND_SHIFT = 0.25, 0.18
"""So much nearer or further, and so far aside (of the photo's longer side), a hand holds the
phone the second time."""

MARK_SLACK = 0.02
"""Without a measured reference one that merely shows must stay in its place to so much of the
photo's longer side: its middle is good to a cell of the network's map, the way there to the size
of the piece that leads it."""

ANCHORS = 5
"""Without a reference the largest pieces of each photo say how it moved; more say the same."""

CELLS = 160
"""Outlines are compared on a grid so fine, along the longer side of both."""

LEAST_CELLS = 10.0
"""No piece is drawn thinner than this: by glare and shadow the two outlines of one thin wire
differ by a third of its width."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Match:
    """A piece that was found again.

    Attributes:
        plain: Its number on the plain photo, from 0 on.
        flash: Its number on the flash photo.
        overlap: Common over joint area of the two outlines, 0 to 1.
        flash_from_plain: ``(3, 3)`` homography from plain to flash photo pixels at this piece.
    """

    plain: int
    flash: int
    overlap: float
    flash_from_plain: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """Where pieces and reference lie on a photo.

    Attributes:
        outlines_px: Outline of each piece, ``(n, 2)`` photo pixels.
        scale: The reference; None where none was found.
        size_px: Width and height of the photo.
        marks_px: ``(n, 2)`` middles of what looks like a reference, measured or not.
    """

    outlines_px: Outlines
    scale: Scale | None
    size_px: tuple[int, int]
    marks_px: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))


def matched(plain: Laid, flash: Laid) -> tuple[Match, ...]:
    """Return the pieces of the plain photo that the flash photo shows at the same place."""
    ours, theirs = plain.outlines_px, flash.outlines_px
    if not ours or not theirs:
        return ()
    one, other = plain.scale, flash.scale
    if one is not None and other is not None and one.reference == other.reference:
        return _by_reference(ours, theirs, one, other)
    return _by_pieces(plain, flash)


def _by_reference(
    ours: Outlines, theirs: Outlines, plain: Scale, flash: Scale
) -> tuple[Match, ...]:
    rulers = [mapped(outline, plain.mm_from_px) for outline in plain.outlines_px]
    middle = np.mean([ruler.mean(axis=0) for ruler in rulers], axis=0)

    def slack(outline: FloatArray) -> float:
        way = float(np.hypot(*(_middle(outline) - middle)))
        there = mapped(_middle(outline)[None], np.linalg.inv(plain.mm_from_px))
        # The scale is doubted the more the further away: half of that on the way there.
        u = float(np.hypot(*(s.u_rel + s.away_u_rel(there)[0] / 2 for s in (plain, flash))))
        told = SLACK_MM + SLACK_OF_WIDTH * _width(outline) + SLACK_K * u * way
        return min(told, MOST_SLACK_MM)

    turns = list(_turns(plain.reference))
    found = [
        _pairs(ours, theirs, plain.mm_from_px, turn @ flash.mm_from_px, slack) for turn in turns
    ]
    best = max(found, key=_total)
    # Of a coin the pieces must say how it lies turned.
    return best if len(turns) <= SIDES or _agree(best, ours, theirs) else ()


def _turns(reference: str) -> Iterator[FloatArray]:
    """Give how the two mm frames of a reference may lie to each other."""
    if reference == "card":  # it looks the same upside down
        yield np.eye(3)
        yield np.array([[-1.0, 0, CARD_WIDTH_MM], [0, -1, CARD_HEIGHT_MM], [0, 0, 1]])
    elif reference == "sheet" or reference.startswith("marker"):
        yield np.eye(3)
    else:  # a coin tells no direction
        yield from map(_turned, HAND_TURNS_DEG)


def _by_pieces(plain: Laid, flash: Laid) -> tuple[Match, ...]:
    """Return the pieces that one move of the phone brings onto each other.

    Most of them must: else nobody knows which moved. A reference that both photos show must
    come to lie on itself too.
    """
    ours, theirs = plain.outlines_px, flash.outlines_px
    here, there = _frame(plain.size_px), _frame(flash.size_px)
    is_marked = len(plain.marks_px) > 0 and len(flash.marks_px) > 0
    marks = mapped(plain.marks_px, here) if is_marked else None
    best: tuple[Match, ...] = ()
    for moved in _hands(ours, theirs, here, there):
        if marks is not None and _part(marks, mapped(flash.marks_px, moved @ there)):
            continue
        best = max(
            best, _pairs(ours, theirs, here, moved @ there, lambda _: SLACK_OF_FRAME), key=_total
        )
    return best if _agree(best, ours, theirs) else ()


def _part(marks: FloatArray, others: FloatArray) -> bool:
    """Whether no reference lies where one of the other photo lies."""
    return float(np.linalg.norm(marks[:, None] - others[None], axis=2).min()) > MARK_SLACK


def _agree(found: tuple[Match, ...], ours: Outlines, theirs: Outlines) -> bool:
    """Whether so many were found that they, and not one that moved, say how the phone moved.

    More than half, and three where there are three: two fit some move of the phone mostly.
    """
    count = min(len(ours), len(theirs))
    return len(found) >= min(count, 3) and 2 * len(found) > count


def _hands(
    ours: Outlines, theirs: Outlines, plain: FloatArray, flash: FloatArray
) -> Iterator[FloatArray]:
    """Give how the phone may have moved: so that two pieces lie where two of the others lay.

    Where one photo has but one piece, that lies where one of the others lay, turned at will.
    """
    here, there = (
        sorted((mapped(one, frame) for one in outlines), key=_area)[-ANCHORS:]
        for outlines, frame in ((ours, plain), (theirs, flash))
    )
    if min(len(here), len(there)) == 1:
        for one, other in product(here, there):
            size = np.sqrt(_area(one) / max(_area(other), 1e-9))
            for degrees in HAND_TURNS_DEG:
                turn = size * np.exp(1j * np.radians(degrees))
                yield from _by_hand(turn, _middle(one), _middle(other))
        return
    middles, others = ([_middle(one) for one in side] for side in (here, there))
    # Both pieces the other way round give the same move.
    for (one, next_one), (other, next_other) in product(
        combinations(middles, 2), permutations(others, 2)
    ):
        step, other_step = complex(*(next_one - one)), complex(*(next_other - other))
        if other_step:
            yield from _by_hand(step / other_step, one, other)


def _by_hand(turn: complex, one: FloatArray, other: FloatArray) -> Iterator[FloatArray]:
    """Give the move that brings one middle onto the other, if a hand moves a phone so far.

    Args:
        turn: How much larger (modulus) and turned (argument) the second photo's frame is.
        one: ``(2,)`` middle of a piece in the first photo's frame.
        other: In the second's.
    """
    if abs(np.log(max(abs(turn), 1e-9))) > HAND_LOG_SIZE:
        return
    if abs(np.degrees(np.angle(turn))) > max(HAND_TURNS_DEG):
        return
    move = np.array([[turn.real, -turn.imag, 0], [turn.imag, turn.real, 0], [0, 0, 1.0]])
    move[:2, 2] = one - move[:2, :2] @ other
    if np.hypot(*move[:2, 2]) <= HAND_SHIFT:
        yield move


def _pairs(
    ours: Outlines,
    theirs: Outlines,
    plain: FloatArray,
    flash: FloatArray,
    slack: Callable[[FloatArray], float],
) -> tuple[Match, ...]:
    """Return who lies on whom in a common frame, one to one, the best overlaps first.

    Args:
        ours: Outlines of the plain photo, in its pixels.
        theirs: Those of the flash photo.
        plain: ``(3, 3)`` from the plain photo to the frame.
        flash: The same from the flash photo.
        slack: How far apart outlines may lie there.
    """
    here = [mapped(outline, plain) for outline in ours]
    there = [mapped(outline, flash) for outline in theirs]
    most = [slack(one) for one in here]
    found = []
    for i, j in np.argwhere(_alike(here, there, most)).tolist():
        overlap, shift = overlap_of(here[i], there[j], most=most[i])
        if overlap >= LEAST_OVERLAP:
            found.append((overlap, i, j, shift))
    taken: list[Match] = []
    for overlap, i, j, shift in sorted(found, key=lambda pair: -pair[0]):
        if any(match.plain == i or match.flash == j for match in taken):
            continue
        away = np.eye(3)
        away[:2, 2] = shift
        taken.append(
            Match(
                plain=i,
                flash=j,
                overlap=overlap,
                flash_from_plain=np.linalg.inv(away @ flash) @ plain,
            )
        )
    return tuple(sorted(taken, key=lambda match: match.plain))


def _alike(here: Outlines, there: Outlines, most: Sequence[float]) -> NDArray[np.bool_]:
    """Return which outlines may be of one piece, ``(n, m)``: near each other, of like area.

    Args:
        here: Outlines in a common frame.
        there: The others in it.
        most: How far each of ``here`` may lie apart from its like.
    """
    (middles, areas, lengths), (middles_there, areas_there, lengths_there) = (
        [np.array([told(one) for one in side]) for told in (_middle, _area, _long)]
        for side in (here, there)
    )
    apart = np.linalg.norm(middles[:, None] - middles_there, axis=2)
    unlike = np.abs(np.log(areas[:, None] / np.maximum(areas_there, 1e-9)))
    # So far middles may lie apart as an end of one is missing.
    long = lengths[:, None]
    missing = np.abs(long - lengths_there) / 2 + LENGTH_U * long
    cut_short = np.minimum(APART_OF_LENGTH * long, missing)
    near = apart <= np.array(most)[:, None] + cut_short
    return np.asarray(near & (unlike <= LOG_AREA))


def overlap_of(one: FloatArray, other: FloatArray, *, most: float) -> tuple[float, FloatArray]:
    """Return common over joint area of two outlines, the second moved by at most so much.

    Args:
        one: ``(n, 2)`` outline, in any unit.
        other: ``(m, 2)`` outline in the same.
        most: How far the second may be moved, in x and in y.

    Returns:
        The largest overlap, and the ``(2,)`` move of the second that gives it.

    >>> square = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    >>> overlap, shift = overlap_of(square, square + [3.0, 0.0], most=1.0)
    >>> round(overlap, 1), round(float(shift[0]))  # 8 common columns of 12 in all
    (0.7, -1)
    """
    both = np.vstack([one, other])
    low = both.min(axis=0) - most
    cell = float((both.max(axis=0) - both.min(axis=0)).max()) / CELLS
    reach = int(np.ceil(most / cell))
    size = np.ceil((both.max(axis=0) + most - low) / cell).astype(int) + 2 * reach + 3
    first = _drawn(one, low, cell, size, reach)
    second = _drawn(other, low, cell, size, reach)
    kernel = second[reach : size[1] - reach, reach : size[0] - reach]
    common = cv2.matchTemplate(first, kernel, cv2.TM_CCORR)
    _, best, _, at = cv2.minMaxLoc(common)
    joint = float(first.sum()) + float(second.sum()) - best
    return float(best / max(joint, 1.0)), (np.array(at) - reach) * cell


def _drawn(
    outline: FloatArray, low: FloatArray, cell: float, size: FloatArray, reach: int
) -> FloatArray:
    """Return an outline filled in on a grid; a thin one is drawn a little thicker."""
    points = np.round(((outline - low) / cell + reach + 1) * 16).astype(np.int32)[:, None]
    canvas = np.zeros((int(size[1]), int(size[0])), np.uint8)
    cv2.fillPoly(canvas, [points], (1,), shift=4)
    rim = round(LEAST_CELLS - _width(outline) / cell)
    if rim > 0:
        cv2.polylines(canvas, [points], True, (1,), thickness=rim, shift=4)
    return np.asarray(canvas, dtype=np.float32)


def _frame(size_px: tuple[int, int]) -> FloatArray:
    """Return from photo pixels to shares of the longer side, from the photo's middle."""
    share = 1 / max(size_px)
    x, y = (-share * side / 2 for side in size_px)
    return np.array([[share, 0, x], [0, share, y], [0, 0, 1]])


def _turned(degrees: float) -> FloatArray:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])


def _total(matches: tuple[Match, ...]) -> float:
    return sum(match.overlap for match in matches)


def _middle(outline: FloatArray) -> FloatArray:
    """Return the centre of an outline's area."""
    told = cv2.moments(np.asarray(outline, np.float32).reshape(-1, 1, 2))
    if told["m00"] <= 0:
        return np.asarray(outline.mean(axis=0))
    return np.array([told["m10"], told["m01"]]) / told["m00"]


def _area(outline: FloatArray) -> float:
    return float(cv2.contourArea(np.asarray(outline, np.float32).reshape(-1, 1, 2)))


def _width(outline: FloatArray) -> float:
    """Return about how wide a long piece is: twice its area over its outline's length."""
    points = np.asarray(outline, np.float32).reshape(-1, 1, 2)
    return 2 * _area(outline) / max(float(cv2.arcLength(points, True)), 1e-9)


def _long(outline: FloatArray) -> float:
    return float((outline.max(axis=0) - outline.min(axis=0)).max())
