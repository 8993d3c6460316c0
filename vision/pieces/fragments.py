"""Which fragments of the outline map are one piece?

Cutting along every hint that another piece begins parts pieces that touch or cross, and
some pieces as well. Two fragments that touch, or that touch a third one between them, are
one piece with a probability that how they meet tells: how sure the network is of the
border, colours and widths on either side, whether one runs on into the other. Groups of
fragments are joined as long as that is likelier than not on average (average linkage, Sokal
and Michener 1958).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.types import Float32Array, FloatArray, Image

Labels = NDArray[np.int32]

FEATURES = (
    "hop", "distance", "border", "contact", "colour", "width", "turn", "aside", "round",
    "smaller", "larger",
)  # fmt: skip
"""What is told of a pair, in the order of ``WEIGHTS``; see :func:`pairs_of`."""

WEIGHTS = (-1.613, -0.374, -2.352, 0.851, -0.288, -2.028, 1.565, 1.447, 3.112, -0.608, 0.272)
OFFSET = 1.456
"""Log-odds that a pair is one piece: ``models/recipe/fits/fragments.py`` on 2,400 pairs of 20
tables of 5 to 30 pieces (seeds 8611 to 8630) and 24 hard photos (6500 to 6523)."""

JOIN_P = 0.45
"""Groups are joined from this mean probability on. On the photos of the fit, each left out of its
fold, 0.25 finds 53 % of what lies on the tables with 0.28 false ones a piece, 0.45 61 % with
0.44, 0.6 66 % with 0.56; panoptic quality 0.37, 0.36, 0.35."""

DOUBT_P, DOUBT_SHARE = 0.6, 0.1
"""A piece joined with less is likely several, where the smaller part is so much of it."""

REACH_WIDTHS, REACH_PX = 6.0, 12.0
"""What a third fragment hides between two is at most so long, in widths of the wider one."""

NEAR_WIDTHS = 4.0
"""Colour and direction are those of so many widths around the place where two meet."""

_STEPS = ((1, 0), (0, 1), (1, 1), (1, -1), (3, 0), (0, 3), (2, 2), (2, -2))
"""Offsets (x, y) over which two fragments meet."""
_MANY, _FEW = 1500, 120
"""Pixels of a fragment that are looked at for its colour and direction, and for its place."""


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
class _Fragment:
    """Some pixels of a fragment, ``(n, 2)`` x and y, fewer of them, its area and mean width."""

    points: NDArray[np.int64]
    some: NDArray[np.int64]
    area_px: int
    width_px: float


def pairs_of(labels: Labels, gap: Float32Array, view: Image) -> Pairs:
    """Return all pairs of fragments that meet, with what is told of them.

    ``hop`` is 1 where a third one lies between them; ``distance`` in widths of the wider
    one; ``border`` how likely another piece begins where they meet; ``contact`` how long they
    meet, in widths (logarithm); ``colour`` the distance in CIE L*a*b*, in tens; ``width`` the
    logarithm of their widths' ratio; ``turn`` and ``aside`` the cosines of the angle between
    them and of each with the line from one to the other; ``round`` how far the rounder of
    them is from a line; ``smaller`` and ``larger`` the logarithms of their areas.

    Args:
        labels: ``(h, w)`` number of the fragment at each pixel, from 1; 0 none.
        gap: ``(h, w)`` how likely another piece begins there.
        view: ``(h, w, 3)`` uint8 RGB, the photo at that size.
    """
    fragments = _fragments(labels)
    met = _contacts(labels, gap)
    beside: dict[int, set[int]] = {n: set() for n in fragments}
    for a, b in met:
        beside[a].add(b)
        beside[b].add(a)
    hops = {
        (a, b) for around in beside.values() for a in around for b in around if a < b
    } - met.keys()
    # On most photos nothing meets, and no colour is asked for.
    lab = np.asarray(cv2.cvtColor(view, cv2.COLOR_RGB2LAB), np.uint8) if met else view
    rows: list[tuple[int, int, list[float]]] = []
    for (a, b), (place, border, length) in met.items():
        one, two = fragments[a], fragments[b]
        wide = max(one.width_px, two.width_px)
        told = [0.0, 0.0, border, log(length / wide)]
        rows.append((a, b, told + _alike(one, two, place, place, lab)))
    for a, b in hops:
        one, two = fragments[a], fragments[b]
        wide = max(one.width_px, two.width_px)
        first, second = _nearest(one.some, two.some)
        distance = float(np.hypot(*(first - second)))
        if distance <= REACH_WIDTHS * wide + REACH_PX:
            told = [1.0, distance / wide, 0.0, 0.0]
            rows.append((a, b, told + _alike(one, two, first, second, lab)))
    return Pairs(
        first=np.array([a for a, _, _ in rows], np.int64),
        second=np.array([b for _, b, _ in rows], np.int64),
        features=np.array([f for _, _, f in rows], np.float64).reshape(-1, len(FEATURES)),
    )


def joined(area_px: NDArray[np.int64], pairs: Pairs) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the group of each fragment, and which groups were joined in doubt.

    Args:
        area_px: ``(n,)`` area of each fragment by its number; of 0, which is none, any.
        pairs: From :func:`pairs_of`.

    Returns:
        ``(n,)`` number of the fragment that stands for the group; ``(n,)`` bool.
    """
    group = np.arange(len(area_px))
    doubtful = np.zeros(len(area_px), bool)
    area = area_px.astype(float)
    links = {
        (int(a), int(b)): (float(odds), 1)
        for a, b, odds in zip(pairs.first, pairs.second, pairs.log_odds, strict=True)
    }
    least, sure = log(JOIN_P / (1 - JOIN_P)), log(DOUBT_P / (1 - DOUBT_P))
    while links:
        (kept, gone), (total, number) = max(links.items(), key=lambda link: link[1][0] / link[1][1])
        if total / number < least:
            break
        counts = min(area[kept], area[gone]) >= DOUBT_SHARE * (area[kept] + area[gone])
        doubtful[kept] |= doubtful[gone] or (counts and total / number < sure)
        area[kept] += area[gone]
        group[group == gone] = kept
        del links[kept, gone]
        for pair in [p for p in links if gone in p]:
            total, number = links.pop(pair)
            other = pair[0] if pair[1] == gone else pair[1]
            own = (min(kept, other), max(kept, other))
            before = links.get(own, (0.0, 0))
            links[own] = (before[0] + total, before[1] + number)
    return group, doubtful[group]


def _fragments(labels: Labels) -> dict[int, _Fragment]:
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
    return {
        int(n): _Fragment(
            points=part[:: 1 + len(part) // _MANY],
            some=part[:: 1 + len(part) // _FEW],
            area_px=len(part),
            width_px=2 * len(part) / max(int(around[n]), 1),
        )
        for n, part in zip(numbers, np.split(points, starts[1:]), strict=True)
    }


def _contacts(
    labels: Labels, gap: Float32Array
) -> dict[tuple[int, int], tuple[FloatArray, float, float]]:
    """Return where two fragments meet, how likely a piece begins there, and how long they do."""
    height, width = labels.shape
    parts = []
    for dx, dy in _STEPS:
        low, high = max(0, -dy), max(0, dy)
        here = (slice(low, height - high), slice(0, width - dx))
        there = (slice(low + dy, height - high + dy), slice(dx, width))
        one, two = labels[here], labels[there]
        ys, xs = np.nonzero((one != two) & (one > 0) & (two > 0))
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
        middle = own[:, 2:4].mean(axis=0)
        place = own[np.argmin(((own[:, 2:4] - middle) ** 2).sum(axis=1)), 2:4]
        extent = float(np.hypot(*np.ptp(own[:, 2:4], axis=0))) + 1
        met[int(own[0, 0]), int(own[0, 1])] = (place, float(own[:, 4].mean()), extent)
    return met


def _nearest(one: NDArray[np.int64], two: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
    apart = ((one[:, None] - two[None]) ** 2).sum(axis=2)
    i, j = np.unravel_index(int(np.argmin(apart)), apart.shape)
    return one[i].astype(float), two[j].astype(float)


def _alike(
    one: _Fragment, two: _Fragment, first: FloatArray, second: FloatArray, lab: Image
) -> list[float]:
    """Return how alike two fragments are where they meet, and their sizes."""
    reach = max(REACH_PX, NEAR_WIDTHS * max(one.width_px, two.width_px))
    near = [_near(one, first, reach), _near(two, second, reach)]
    colours = [lab[p[:, 1], p[:, 0]].mean(axis=0) for p in near]
    (along_a, round_a), (along_b, round_b) = (_direction(p) for p in near)
    line = near[1].mean(axis=0) - near[0].mean(axis=0)
    line = line / max(float(np.hypot(*line)), 1e-6)
    areas = sorted(f.area_px for f in (one, two))
    return [
        float(np.linalg.norm(colours[0] - colours[1])) / 10,
        abs(log(max(one.width_px, 0.5) / max(two.width_px, 0.5))),
        abs(float(along_a @ along_b)),
        min(abs(float(along_a @ line)), abs(float(along_b @ line))),
        max(round_a, round_b),
        log(areas[0]),
        log(areas[1]),
    ]


def _near(fragment: _Fragment, place: FloatArray, reach: float) -> NDArray[np.int64]:
    away = ((fragment.points - place) ** 2).sum(axis=1)
    near = fragment.points[away < reach * reach]
    return near if len(near) else fragment.points[[int(np.argmin(away))]]


def _direction(points: NDArray[np.int64]) -> tuple[FloatArray, float]:
    """Return the direction points lie along, and how wide they lie across it, 0 to 1."""
    off = points - points.mean(axis=0)
    spread, axes = np.linalg.eigh(off.T @ off / len(off))
    return axes[:, 1], float(np.sqrt(max(spread[0], 0.0) / max(spread[1], 1e-9)))
