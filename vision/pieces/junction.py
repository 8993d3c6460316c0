"""Which limbs at a junction run on into each other?

Two that point at each other and are alike in width and colour are one piece that runs on.
A junction is told only where one way to pair its limbs is much better than every other, and
a limb that is left over only where it is plainly another thing than those beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import degrees, hypot, log

import cv2
import numpy as np

from vision.pieces.limbs import Limb
from vision.types import FloatArray, Image

NEAR_WIDTHS = 8.0
"""A limb is judged on so many widths from the junction: further on it may be stripped, bent
or tarnished otherwise."""

DIRECTION_WIDTHS, DIRECTION_PX = 2.5, 10.0
"""Its direction is that of so many widths, and at least so many pixels."""

MOST_LIMBS = 5
"""More that meet in one place are strands of a frayed end."""

TURN_DEG, WIDTH_LOG, COLOUR_LAB = 20.0, 0.25, 20.0
"""What the two limbs of one piece may differ by, as one standard deviation each: direction,
logarithm of the width, CIE L*a*b*. Chosen, not fitted; what follows was measured with them."""

RUNS_ON = 4.5
"""Sum of squares up to which two limbs run on into each other. On 220 tuned-on renders the
right pairs at crossings and touches of two pieces have 0.2 to 4.2, but for a few that bend
right there (6 to 12), and the best wrong ones from 3.2 on, mostly 10 and more; a sheath and
one of the cores that leave it have 8.6 and more."""

BENT = np.array([0.25, 1.0, 1.0, 1.0])
"""Weights of the four parts where nothing but the turn tells against a pair and the third limb
is plainly another thing: a piece that happens to bend where another touches it. Two such on
220 tuned-on renders, and no other junction passes by it."""

NEXT_BEST = 2.0
"""The next best way to pair must be so many times worse, and worse than ``RUNS_ON``. The closest
right ones seen on 220 tuned-on renders were 2.5 and 4.7."""

NEARLY = 2.5
"""Up to so many times ``RUNS_ON``, pairs are likely but not sure: of 8 finds so named on 220
tuned-on renders 6 are several pieces, 1 is a cable whose cores leave it, 1 such a cable with
something beside it."""

SEEN_GAP_P = 0.4
"""The network saw pieces meet at the junction, though not all across: at most crossings on the
tuned-on renders it is 0.5 to 0.97 sure somewhere."""

HINTED_GAP_P = 0.1
"""It at least had a doubt: 0.14 is the least at a true touch. Without one, a limb beside two
others is a soldered or a fitted one."""

OTHER_COLOUR, OTHER_BOTH, OTHER_PLAINLY = 0.7, 1.2, 2.5
"""From here on a limb at the side is another thing, in the standard deviations above: by colour
and by both together where the network saw the gap; plainly, by both together, where it only
had a doubt. Turns of one coil that touch were up to 1.6 apart, but 0.2 by colour; two pieces
0.7 and more by colour, or 2.9 and more together, at all touches but one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CopyGrid:
    """Where a pixel of an island's copy lies on the photo.

    Attributes:
        across: Photo pixels a pixel of the copy is wide.
        down: And high.
        left_px: Photo column of the copy's left rim.
        top_px: Photo row of its upper rim.
    """

    across: float
    down: float
    left_px: float
    top_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Root:
    """One limb as it leaves one junction.

    Attributes:
        limb: Which limb.
        at: ``(2,)`` where it leaves the junction.
        away: ``(2,)`` unit vector away from it.
        width_px: Typical width near the junction.
        lab: ``(3,)`` median CIE L*a*b* of its middle near the junction.
    """

    limb: int
    at: FloatArray
    away: FloatArray
    width_px: float
    lab: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verdict:
    """What one junction says.

    Attributes:
        pairs: Roots that run on into each other. Empty where nothing may be parted.
        rest: Those left over: one ends there, two are one piece that bends there.
        doubt: Whether they are likely several pieces, though not surely these.
    """

    pairs: tuple[tuple[Root, Root], ...] = ()
    rest: tuple[Root, ...] = ()
    doubt: bool = False


def root_of(limb: Limb, number: int, photo: Image, grid: CopyGrid, *, from_start: bool) -> Root:
    """Return a limb as it leaves the junction where it begins, or the one where it stops."""
    step = 1 if from_start else -1
    points, radii = limb.points[::step], limb.radii[::step]
    near = max(6, round(NEAR_WIDTHS * 2 * float(np.median(radii[:40]))))
    width = 2 * float(np.median(radii[:near]))
    head = points[: max(4, round(max(DIRECTION_PX, DIRECTION_WIDTHS * width)))]
    return Root(
        limb=number,
        at=points[0],
        away=_direction(head),
        width_px=width,
        lab=lab_at(points[:near], width, photo, grid),
    )


def _direction(points: FloatArray) -> FloatArray:
    """Return the unit vector along a short line, from its first point on."""
    axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2]
    along: FloatArray = axes[0]
    return along if along @ (points[-1] - points[0]) > 0 else -along


def lab_at(points: FloatArray, width: float, photo: Image, grid: CopyGrid) -> FloatArray:
    """Return the median CIE L*a*b* around points, over the middle two fifths of a width."""
    shift = np.arange(-2, 3) * width / 10
    around = np.stack(np.meshgrid(shift, shift), axis=-1).reshape(1, -1, 2)
    spots = (points[:, None] + around).reshape(-1, 2) + 0.5
    x = spots[:, 0] * grid.across + grid.left_px
    y = spots[:, 1] * grid.down + grid.top_px
    x = np.clip(x, 0, photo.shape[1] - 1).astype(int)
    y = np.clip(y, 0, photo.shape[0] - 1).astype(int)
    middle = np.median(photo[y, x], axis=0).astype(np.float32)
    lab = cv2.cvtColor(middle.reshape(1, 1, 3) / np.float32(255), cv2.COLOR_RGB2LAB)
    return np.asarray(lab[0, 0], dtype=np.float64)


def unlike(a: Root, b: Root) -> FloatArray:
    """Return by how much two roots at one junction are not one limb that runs on.

    Turn, offset to the side, width and colour, each in what one piece may show.
    """
    turn = degrees(np.arccos(np.clip(-a.away @ b.away, -1, 1)))
    along = b.away - a.away
    along = along / max(float(np.hypot(*along)), 1e-9)
    gap = b.at - a.at
    aside = abs(float(gap[0] * along[1] - gap[1] * along[0]))
    # Across the gap a direction known to 11 degrees leads a fifth of it aside.
    room = (a.width_px + b.width_px) / 4 + 1 + 0.2 * hypot(*gap)
    return np.array(
        [
            turn / TURN_DEG,
            aside / room,
            # A pixel more, or half a pixel on a thin wire would count as a third of it.
            abs(log((a.width_px + 1) / (b.width_px + 1))) / WIDTH_LOG,
            float(np.linalg.norm(a.lab - b.lab)) / COLOUR_LAB,
        ]
    )


def runs_on(a: Root, b: Root) -> bool:
    """Return whether two limbs are one piece that runs on."""
    return float((unlike(a, b) ** 2).sum()) <= RUNS_ON


def judge(roots: list[Root], *, gap_p: float) -> Verdict:
    """Return which of the limbs at one junction run on into each other.

    Args:
        roots: Three or more.
        gap_p: How sure the network was, at most, that pieces meet here.
    """
    if gap_p < HINTED_GAP_P or not 3 <= len(roots) <= MOST_LIMBS:
        return Verdict()
    ways = sorted(_ways(roots), key=lambda way: way.cost)
    best = ways[0]
    rest = _rest(roots, best.pairs)
    if all(_is_other(root, best.pairs, gap_p) for root in rest):
        clear = ways[1].total >= max(RUNS_ON, NEXT_BEST * best.total)
        if clear and best.cost <= RUNS_ON:
            return Verdict(pairs=best.pairs, rest=rest)
        if len(roots) == 4 and (alone := _one_pair(roots, gap_p)).pairs:
            return alone
        if len(roots) == 3 and clear and _is_bent(best.pairs[0], rest[0]):
            return Verdict(pairs=best.pairs, rest=rest)
        return Verdict(doubt=best.cost < NEARLY * RUNS_ON and gap_p > SEEN_GAP_P)
    return Verdict()


def _rest(roots: list[Root], pairs: tuple[tuple[Root, Root], ...]) -> tuple[Root, ...]:
    paired = {id(root) for pair in pairs for root in pair}
    return tuple(root for root in roots if id(root) not in paired)


def _one_pair(roots: list[Root], gap_p: float) -> Verdict:
    """Return the one pair that surely runs on through four, where the rest is another thing."""
    cost = {
        (i, j): float((unlike(roots[i], roots[j]) ** 2).sum())
        for i, j in combinations(range(len(roots)), 2)
    }
    pair = min(cost, key=cost.__getitem__)
    others = [value for key, value in cost.items() if len({*key, *pair}) == 3]
    pairs = ((roots[pair[0]], roots[pair[1]]),)
    rest = _rest(roots, pairs)
    clear = min(others) >= max(RUNS_ON, NEXT_BEST * cost[pair])
    if cost[pair] > RUNS_ON / 2 or not clear:
        return Verdict()
    if not all(_is_other(root, pairs, gap_p) for root in rest):
        return Verdict()
    return Verdict(pairs=pairs, rest=rest)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Way:
    """One way to pair the limbs of a junction; of an odd number one ends there."""

    pairs: tuple[tuple[Root, Root], ...]
    cost: float
    total: float


def _ways(roots: list[Root]) -> list[_Way]:
    """Return every way to pair all limbs, or all but one."""
    found = []
    for pairs in _pairings(list(range(len(roots)))):
        parts = [unlike(roots[i], roots[j]) ** 2 for i, j in pairs]
        full = [float(part.sum()) for part in parts]
        # One of two that cross may change its colour there, at the end of its jacket.
        mild = [float(part[:2].sum() + part[2:].sum() / 4) for part in parts]
        spared = int(np.argmax(full)) if len(full) > 1 else -1
        costs = [mild[k] if k == spared else full[k] for k in range(len(parts))]
        found.append(
            _Way(
                pairs=tuple((roots[i], roots[j]) for i, j in pairs),
                cost=max(costs),
                total=sum(costs),
            )
        )
    return found


def _pairings(numbers: list[int]) -> list[tuple[tuple[int, int], ...]]:
    if len(numbers) % 2:
        return [way for left in numbers for way in _pairings([k for k in numbers if k != left])]
    if not numbers:
        return [()]
    first, *rest = numbers
    return [
        ((first, other), *way)
        for other in rest
        for way in _pairings([k for k in rest if k != other])
    ]


def _is_bent(pair: tuple[Root, Root], third: Root) -> bool:
    """Return whether a piece bends just where something plainly different touches it."""
    cost = float((unlike(*pair) ** 2 * BENT).sum())
    return cost <= RUNS_ON and _is_other(third, (pair,), 0.0)


def _is_other(third: Root, pairs: tuple[tuple[Root, Root], ...], gap_p: float) -> bool:
    """Return whether a limb is plainly another thing than those that run on beside it."""
    for a, b in pairs:
        if a.limb == b.limb:
            return False  # the eye of a loop or between two strands
        for root in (a, b):
            width, colour = unlike(root, third)[2:]
            apart = hypot(width, colour)
            by_gap = gap_p > SEEN_GAP_P and colour > OTHER_COLOUR and apart > OTHER_BOTH
            if not (by_gap or apart > OTHER_PLAINLY):
                return False
    return True
