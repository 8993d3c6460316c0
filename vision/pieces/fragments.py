"""Which fragments of the outline map are one piece, and is what came of them one whole piece?

Cutting along every hint that another piece begins parts pieces that touch or cross, and
some pieces as well. Two fragments that touch, or that touch a third one between them, are
one piece with a probability that how they meet tells: how sure the network is of the
border, surfaces and widths on either side, whether one runs on into the other. Groups of
fragments are joined as long as that is likelier than not on average (average linkage, Sokal
and Michener 1958). How surely each group is one whole piece, neither several nor a part of
one, is told by what joined it, what all but joined it, and how sure the network is of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.types import Float32Array, FloatArray, SurfaceMap

Labels = NDArray[np.int32]

FEATURES = (
    "hop", "border", "across", "turn", "aside", "round", "straight", "ground", "gap", "look",
)  # fmt: skip
"""What is told of a pair, in the order of ``WEIGHTS``; see :func:`pairs_of`."""

WEIGHTS = (-2.46, -3.565, -1.085, 2.176, 5.198, 4.573, 3.71, -2.606, -2.28, -2.638)
OFFSET = 0.033
"""Log-odds that a pair is one piece: ``models/recipe/fits/fragments.py`` on 42 tables of 5 to 30
pieces (seeds 8900 to 8915, 8930 to 8939, 9040 to 9055), 46 photos as advised (7100 to 7121, 7340
to 7363) and 24 hard ones (6800 to 6823), 714 pieces. On an earlier fit's photos pairs of one piece
were told from others with an area under the curve of 0.916; with widths, sizes, distance, classes
and lengths of contact beside them 0.900."""

JOIN_P = 0.5
"""Groups are joined from this mean probability on. On the photos of an earlier fit, each left out
of its fold: 67 % of 339 pieces found with 0.16 false ones a piece; at 0.6 68 % and 0.17, at 0.4
65 % and 0.12; but at 0.6 one of 25 pieces as advised stays cut in two."""

WHOLE_FEATURES = ("piece", "gap", "area", "joined", "outer")
"""What is told of a group, in the order of ``WHOLE_WEIGHTS``; see :func:`whole_features`."""

WHOLE_WEIGHTS = (7.777, -10.169, 0.819, 0.581, -0.539)
WHOLE_OFFSET = -13.484
"""Log-odds that a group is one whole piece (overlap 0.6), fitted on the same photos to the groups
of those that their fold left out. It holds what it says: of 1,006 groups 361 are told with under
0.1, 2 % of them are one, 112 with 0.1 to 0.2 (17 %), 134 with 0.2 to 0.5 (35 %), 131 with 0.5 to
0.8 (65 %), 268 with more (94 %)."""

OUTER_LEAST = -4.0
"""Log-odds of a pair below this leave no doubt."""

REACH_WIDTHS, REACH_PX = 6.0, 12.0
"""What a third fragment hides between two is at most so long, in widths of the wider one."""

NEAR_WIDTHS = 4.0
"""Surface and direction are those of so many widths around the place where two meet."""

LEAST_LOOK = 1.0
"""Looks nearer to each other than that are the same: of pairs that are one piece nine in ten are
1.4 and more apart, half of them 2.4."""

_STEPS = ((1, 0), (0, 1), (1, 1), (1, -1), (3, 0), (0, 3), (2, 2), (2, -2))
"""Offsets (x, y) over which two fragments meet."""
_MANY, _FEW = 600, 120
"""Pixels of a fragment that are looked at for its surface and direction, and for its place."""
_ALONG = np.linspace(0.0, 1.0, 15)[:, None]
"""Where the way from one fragment to another is looked at."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Maps:
    """The network's maps where fragments lie.

    Attributes:
        gap: ``(h, w)`` how likely another piece begins there.
        surface: The coarser maps, of all of the photo.
        size_px: Width and height of the map that ``gap`` is a part of.
        corner_px: Where on it that part begins, x and y.
    """

    gap: Float32Array
    surface: SurfaceMap
    size_px: tuple[int, int]
    corner_px: tuple[int, int] = (0, 0)

    def cells(self, points: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return rows and columns of the coarser maps at ``(n, 2)`` x and y of ``gap``."""
        rows, columns = self.surface.p.shape[1:]
        width, height = self.size_px
        x, y = (points + self.corner_px).T
        return y * rows // height, x * columns // width


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pairs:
    """Pairs of fragments that may be one piece.

    Attributes:
        first: ``(n,)`` number of one fragment.
        second: ``(n,)`` number of the other, larger.
        features: ``(n, len(FEATURES))``.
    """

    first: NDArray[np.int64]
    second: NDArray[np.int64]
    features: FloatArray

    @property
    def log_odds(self) -> FloatArray:
        """Return the log-odds of each pair of being one piece."""
        return np.asarray(self.features @ np.array(WEIGHTS) + OFFSET, dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Groups:
    """Fragments joined to what may be pieces.

    Attributes:
        of: ``(n,)`` the fragment that stands for the group of each one.
        outer: ``(n,)`` largest mean log-odds that it is one piece with another group.
        meets: ``(n,)`` whether there is such another, or there was.
    """

    of: NDArray[np.int64]
    outer: FloatArray
    meets: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fragment:
    """Some pixels of a fragment, ``(n, 2)`` x and y, fewer of them, its mean width, look."""

    points: NDArray[np.int64]
    some: NDArray[np.int64]
    width_px: float
    look: FloatArray


def pairs_of(labels: Labels, maps: Maps) -> Pairs:
    """Return all pairs of fragments that meet, with what is told of them.

    ``hop`` is 1 where a third one lies between them; ``border`` how likely another piece begins
    where they meet, and ``across`` the cosine of that line with the one that runs less along it;
    ``round`` and ``straight`` how far the rounder and the straighter of them are from a line;
    ``turn`` and ``aside`` the cosines of the angle between them and of each with the line from one
    to the other, as far as the rounder has a direction; ``ground`` and ``gap`` how likely the way
    from one to the other shows table or reference at the most, and the start of another piece on
    average; ``look`` how far apart they are by what the network makes of either (logarithm).

    Args:
        labels: ``(h, w)`` number of the fragment at each pixel, from 1; 0 none.
        maps: The network's maps there.
    """
    met = _contacts(labels, maps.gap)
    # On most photos nothing meets, and nothing is looked at.
    fragments = _fragments(labels, maps) if met else {}
    beside: dict[int, set[int]] = {n: set() for n in fragments}
    for a, b in met:
        beside[a].add(b)
        beside[b].add(a)
    hops = {
        (a, b) for around in beside.values() for a in around for b in around if a < b
    } - met.keys()
    ways = (maps.surface.ground_p, maps)
    rows: list[tuple[int, int, list[float]]] = []
    for (a, b), (place, border, line) in met.items():
        told = _alike(fragments[a], fragments[b], (place, place), line, *ways)
        rows.append((a, b, [0.0, border, *told]))
    for a, b in hops:
        one, two = fragments[a], fragments[b]
        wide = max(one.width_px, two.width_px)
        ends = _nearest(one.some, two.some)
        distance = float(np.hypot(*(ends[0] - ends[1])))
        if distance <= REACH_WIDTHS * wide + REACH_PX:
            rows.append((a, b, [1.0, 0.0, *_alike(one, two, ends, None, *ways)]))
    return Pairs(
        first=np.array([a for a, _, _ in rows], np.int64),
        second=np.array([b for _, b, _ in rows], np.int64),
        features=np.array([f for _, _, f in rows], np.float64).reshape(-1, len(FEATURES)),
    )


def joined(count: int, pairs: Pairs) -> Groups:
    """Return the groups of fragments that are likely one piece.

    Args:
        count: One more than there are fragments; 0 is none.
        pairs: From :func:`pairs_of`.
    """
    group = np.arange(count)
    outer, meets = np.full(count, OUTER_LEAST), np.zeros(count, bool)
    meets[pairs.first] = meets[pairs.second] = True
    links = {
        (int(a), int(b)): (float(odds), 1)
        for a, b, odds in zip(pairs.first, pairs.second, pairs.log_odds, strict=True)
    }
    least = log(JOIN_P / (1 - JOIN_P))
    while links:
        (kept, gone), (total, number) = max(links.items(), key=lambda link: link[1][0] / link[1][1])
        if total / number < least:
            break
        group[group == gone] = kept
        del links[kept, gone]
        for pair in [p for p in links if gone in p]:
            total, number = links.pop(pair)
            other = pair[0] if pair[1] == gone else pair[1]
            own = (min(kept, other), max(kept, other))
            had = links.get(own, (0.0, 0))
            links[own] = (had[0] + total, had[1] + number)
    for pair, (total, number) in links.items():
        for one in pair:
            outer[one] = max(outer[one], total / number)
    return Groups(of=group, outer=outer, meets=meets)


def whole_features(
    labels: Labels, groups: Groups, piece: Float32Array, gap: Float32Array
) -> FloatArray:
    """Return what is told of each group as a whole, ``(n, len(WHOLE_FEATURES))``.

    ``piece`` and ``gap`` are how likely its pixels are a piece's and another piece begins there,
    on average; ``area`` the logarithm of how many there are; ``joined`` whether several
    fragments are in it, ``outer`` as in :class:`Groups`. Rows of fragments that
    stand for no group hold nothing of use.
    """
    count = len(groups.of)
    own = groups.of[labels.ravel()]
    area = np.bincount(own, minlength=count)
    shares = [
        np.bincount(own, weights=m.ravel(), minlength=count) / np.maximum(area, 1)
        for m in (piece, gap)
    ]
    several = np.bincount(groups.of, minlength=count) > 1
    told = [*shares, np.log(np.maximum(area, 1)), several, groups.outer]
    return np.stack(told, axis=1).astype(np.float64)


def whole_p(features: FloatArray) -> FloatArray:
    """Return how likely each group is one whole piece, from :func:`whole_features`."""
    odds = features @ np.array(WHOLE_WEIGHTS) + WHOLE_OFFSET
    return np.asarray(1 / (1 + np.exp(-odds)), dtype=np.float64)


def _fragments(labels: Labels, maps: Maps) -> dict[int, _Fragment]:
    """Return the fragments by their numbers."""
    ys, xs = np.nonzero(labels)
    own = labels[ys, xs]
    order = np.argsort(own, kind="stable")
    points = np.stack([xs, ys], axis=1)[order]
    numbers, starts = np.unique(own[order], return_index=True)
    values = labels.astype(np.float32)
    window = np.ones((3, 3), np.uint8)
    rim = (labels > 0) & (
        (cv2.dilate(values, window) != values) | (cv2.erode(values, window) != values)
    )
    around = np.bincount(labels[rim], minlength=int(labels.max()) + 1)
    fragments = {}
    for n, part in zip(numbers, np.split(points, starts[1:]), strict=True):
        many = part[:: 1 + len(part) // _MANY]
        rows, columns = maps.cells(many)
        fragments[int(n)] = _Fragment(
            points=many,
            some=part[:: 1 + len(part) // _FEW],
            width_px=2 * len(part) / max(int(around[n]), 1),
            look=maps.surface.features[:, rows, columns].mean(axis=1),
        )
    return fragments


def _contacts(
    labels: Labels, gap: Float32Array
) -> dict[tuple[int, int], tuple[FloatArray, float, FloatArray]]:
    """Return where two fragments meet, how likely a piece begins there, and along which line."""
    height, width = labels.shape
    parts = []
    for dx, dy in _STEPS:
        low, high = max(0, -dy), max(0, dy)
        here = (slice(low, height - high), slice(0, width - dx))
        there = (slice(low + dy, height - high + dy), slice(dx, width))
        one, two = labels[here], labels[there]
        differ = (one != two) & (one > 0) & (two > 0)
        # A fortieth of the time of nonzero(), which looks for both indices as it goes.
        ys, xs = np.unravel_index(np.flatnonzero(differ), differ.shape)
        a, b = one[ys, xs], two[ys, xs]
        border = np.maximum(gap[here][ys, xs], gap[there][ys, xs])
        parts.append(
            np.stack(
                [np.minimum(a, b), np.maximum(a, b), xs + dx / 2, ys + low + dy / 2, border], 1
            )
        )
    every = np.concatenate(parts)
    code = (every[:, 0] * (int(labels.max()) + 1) + every[:, 1]).astype(np.int64)
    order = np.argsort(code, kind="stable")
    _, starts = np.unique(code[order], return_index=True)
    met = {}
    for own in np.split(every[order], starts[1:]) if len(every) else ():
        points = own[:, 2:4]
        place = points[np.argmin(((points - points.mean(axis=0)) ** 2).sum(axis=1))]
        begins_p = float(own[:, 4].mean())
        met[int(own[0, 0]), int(own[0, 1])] = place, begins_p, _direction(points)[0]
    return met


def _nearest(one: NDArray[np.int64], two: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
    # |a|² - 2 ab + |b|²: exact for whole numbers, in a fifth of the time of the differences.
    a, b = one.astype(float), two.astype(float)
    apart = (a**2).sum(axis=1)[:, None] - 2 * a @ b.T + (b**2).sum(axis=1)
    i, j = np.unravel_index(int(np.argmin(apart)), apart.shape)
    return a[i], b[j]


def _alike(
    one: _Fragment,
    two: _Fragment,
    ends: tuple[FloatArray, FloatArray],
    contact: FloatArray | None,
    ground: Float32Array,
    maps: Maps,
) -> list[float]:
    """Return how alike two fragments are where they meet, and what lies between."""
    reach = max(REACH_PX, NEAR_WIDTHS * max(one.width_px, two.width_px))
    near = [_near(f, end, reach) for f, end in zip((one, two), ends, strict=True)]
    (along_a, round_a), (along_b, round_b) = (_direction(p) for p in near)
    middles = [p.mean(axis=0) for p in near]
    line = middles[1] - middles[0]
    line = line / max(float(np.hypot(*line)), 1e-6)
    # Those that touch have no way between the places where they do.
    start, stop = middles if contact is not None else ends
    way = np.rint(start + _ALONG * (stop - start)).astype(np.int64)
    across = 0.0 if contact is None else min(abs(contact @ along_a), abs(contact @ along_b))
    rounder = max(round_a, round_b)
    return [
        float(across),
        (1 - rounder) * abs(float(along_a @ along_b)),
        (1 - rounder) * min(abs(float(along_a @ line)), abs(float(along_b @ line))),
        rounder,
        min(round_a, round_b),
        float(ground[maps.cells(way)].max()),
        float(maps.gap[way[:, 1], way[:, 0]].mean()),
        log(max(float(np.linalg.norm(one.look - two.look)), LEAST_LOOK)),
    ]


def _near(fragment: _Fragment, place: FloatArray, reach: float) -> NDArray[np.int64]:
    away = ((fragment.points - place) ** 2).sum(axis=1)
    near = fragment.points[away < reach * reach]
    return near if len(near) else fragment.points[[int(np.argmin(away))]]


def _direction(points: FloatArray) -> tuple[FloatArray, float]:
    """Return the direction points lie along, and how wide they lie across it, 0 to 1."""
    off = points - points.mean(axis=0)
    spread, axes = np.linalg.eigh(off.T @ off / len(off))
    return axes[:, 1], float(np.sqrt(max(spread[0], 0.0) / max(spread[1], 1e-9)))
