"""Pieces that cross or touch end to side, parted by how their limbs run.

They come out as one find wherever the surface network sees no gap between them all along.
Where such a find is long and thin, its limbs (:mod:`vision.pieces.limbs`) tell which of them run on
into each other (:mod:`vision.pieces.junction`), and it is parted so. Where they nearly do, nothing
is parted and the find is named as several pieces; everywhere else it stays one.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, pairwise

import cv2
import numpy as np

from vision.pieces.junction import CopyGrid, Root, Verdict, judge, lab_at, root_of, runs_on
from vision.pieces.limbs import Bytes, Labels, Limb, forks_of, is_long, limbs_of
from vision.types import Float32Array, Image, Mask

LEAST_ELONGATION = 4.0
"""A find whose area holds its widest square fewer times than this is a lump: no limbs. A
jacket of 1:5 with a wire across it has 5.7."""

WORK_RADIUS_PX = 15.0
"""Finds wider than this half-width are looked at on a copy reduced at most ``MOST_REDUCED``
times: thinning takes as many turns as the half-width has pixels."""

MOST_REDUCED = 2.5
"""At this a wire three pixels wide is still one."""

PAD_PX = 2
"""The rim that thinning needs."""

REACH_WIDTHS, HIDDEN_WIDTHS = 6.0, 3.0
"""A piece that lies over another hides so many of its widths (as in :mod:`vision.pieces.outlines`)
and of its own: three where they cross at 20 degrees."""

MOST_JUNCTIONS = 4
"""More make a tangle or a frayed end, which nobody can follow by its outline."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parting:
    """Numbered pieces after crossings were parted.

    Attributes:
        labels: ``(h, w)`` number of the piece at each pixel, from 1; 0 none.
        several: Numbers of finds that are several pieces which could not be parted.
    """

    labels: Labels
    several: frozenset[int] = frozenset()


def part_crossings(labels: Labels, gap: Float32Array, photo: Image, *, least_px: int) -> Parting:
    """Part finds that are several long pieces across or against each other.

    Args:
        labels: ``(h, w)`` number of the find at each pixel, 0 none.
        gap: ``(h, w)`` how likely another piece begins there.
        photo: ``(H, W, 3)`` uint8 RGB, which the map covers.
        least_px: Smaller finds are left as they are.
    """
    result = labels
    several: set[int] = set()
    count = following = int(labels.max()) + 1
    areas = np.bincount(labels.ravel(), minlength=count)
    cell = (photo.shape[1] / labels.shape[1], photo.shape[0] / labels.shape[0])
    for number in range(1, count):
        if areas[number] < least_px:
            continue
        own = cv2.inRange(labels, (number,), (number,))
        x, y, w, h = cv2.boundingRect(own)
        box = (slice(y, y + h), slice(x, x + w))
        pieces, doubtful = _pieces_of(own[box] > 0, gap[box], photo, (x, y), cell)
        if pieces is not None and result is labels:
            result = labels.copy()
        numbers = [number]
        for extra in range(1, 0 if pieces is None else int(pieces.max()) + 1):
            result[box][pieces == extra] = following
            numbers.append(following)
            following += 1
        several.update(numbers[k] for k in doubtful)
    return Parting(labels=result, several=frozenset(several))


def _pieces_of(
    own: Mask,
    gap: Float32Array,
    photo: Image,
    corner: tuple[int, int],
    cell: tuple[float, float],
) -> tuple[Labels | None, set[int]]:
    """Return the piece at each pixel of one find, from 0, and which are likely several.

    None where it stays one, which then is piece 0.
    """
    island = _without_pinholes(np.pad(own.view(np.uint8), PAD_PX))
    radius = float(cv2.distanceTransform(island, cv2.DIST_L2, 3).max())
    if own.sum() < LEAST_ELONGATION * (2 * radius) ** 2:
        return None, set()
    small = _reduced(island, float(np.clip(radius / WORK_RADIUS_PX, 1.0, MOST_REDUCED)))
    grid = CopyGrid(
        across=cell[0] * island.shape[1] / small.shape[1],
        down=cell[1] * island.shape[0] / small.shape[0],
        left_px=cell[0] * (corner[0] - PAD_PX),
        top_px=cell[1] * (corner[1] - PAD_PX),
    )
    limbs, zones = limbs_of(small)
    forks = forks_of(limbs)
    if not forks or len(forks) > MOST_JUNCTIONS:
        return None, set()
    seen = cv2.dilate(np.pad(gap, PAD_PX), np.ones((3, 3), np.uint8))
    seen = cv2.resize(seen, small.shape[::-1], interpolation=cv2.INTER_LINEAR)
    verdicts = {}
    for junction, ends in forks.items():
        roots = [root_of(limbs[n], n, photo, grid, from_start=first) for n, first in ends]
        around = cv2.dilate((zones == junction).astype(np.uint8), np.ones((3, 3), np.uint8))
        gap_p = float(seen[(around > 0) & (small > 0)].max(initial=0.0))
        verdicts[junction] = judge(roots, gap_p=gap_p)
    used = {n for ends in forks.values() for n, _ in ends}
    kept = [n in used or is_long(limb) for n, limb in enumerate(limbs)]
    if max(_chains(limbs, kept, {})) > 0:
        return None, set()  # thinned to more than one line: nothing to go by
    chains = _chains(limbs, kept, verdicts)
    doubtful = {chains[forks[j][0][0]] for j, verdict in verdicts.items() if verdict.doubt}
    if max(chains) == 0:
        return None, doubtful
    drawn = _drawn(limbs, chains, verdicts, photo, grid, small.shape)
    large = cv2.resize(drawn, island.shape[::-1], interpolation=cv2.INTER_NEAREST)
    large = large[PAD_PX:-PAD_PX, PAD_PX:-PAD_PX]
    return np.where(own, large, 0).astype(np.int32), doubtful


def _reduced(island: Bytes, factor: float) -> Bytes:
    """Return the island so many times smaller, its rim 0."""
    if factor <= 1:
        return island
    size = (max(1, round(island.shape[1] / factor)), max(1, round(island.shape[0] / factor)))
    grey = cv2.resize(island * np.uint8(255), size, interpolation=cv2.INTER_AREA)
    # Under a half, or thin wire would fall apart.
    small = (grey >= 100).astype(np.uint8)
    small[[0, -1]] = 0
    small[:, [0, -1]] = 0
    return small


def _without_pinholes(island: Bytes) -> Bytes:
    """Fill holes narrower than the find: a highlight taken for table makes no limbs."""
    contours, tree = cv2.findContours(island, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    if len(contours) < 2:
        return island
    inside = cv2.distanceTransform(island, cv2.DIST_L2, 3)[island > 0]
    least = (4 * float(inside.mean())) ** 2  # the mean distance to the rim is half the half-width
    filled = island.copy()
    for contour, (_, _, _, parent) in zip(contours, tree[0], strict=True):
        if parent >= 0 and cv2.contourArea(contour) < least:
            cv2.drawContours(filled, [contour], -1, (1,), cv2.FILLED)
    return filled


def _chains(limbs: tuple[Limb, ...], kept: list[bool], verdicts: dict[int, Verdict]) -> list[int]:
    """Return for each limb which piece it belongs to, from 0; -1 for one that is not kept."""
    parent = np.arange(len(limbs))

    def top(k: int) -> int:
        while parent[k] != k:
            k = int(parent[k])
        return k

    meeting: dict[int, list[int]] = {}
    for number, limb in enumerate(limbs):
        for junction in {limb.start, limb.stop} - {0}:
            if kept[number]:
                meeting.setdefault(junction, []).append(number)

    def join(links: list[tuple[int, int]]) -> None:
        for a, b in links:
            parent[top(b)] = top(a)

    for junction, own in meeting.items():
        verdict = verdicts.get(junction, Verdict())
        if verdict.pairs:
            links = [(a.limb, b.limb) for a, b in verdict.pairs]
            links += [(a.limb, b.limb) for a, b in pairwise(verdict.rest)]
        else:
            links = [(own[0], other) for other in own[1:]]
        join(links)
    # What ends at one side of a piece may go on at its other, a little further along.
    ending = [(v.rest[0], v.pairs[0][0]) for v in verdicts.values() if len(v.rest) == 1]
    for (a, over), (b, other) in combinations(ending, 2):
        hidden = REACH_WIDTHS * max(a.width_px, b.width_px) + HIDDEN_WIDTHS * over.width_px
        is_near = float(np.hypot(*(a.at - b.at))) < hidden
        if is_near and top(over.limb) == top(other.limb) and runs_on(a, b):
            join([(a.limb, b.limb)])
    tops = [top(k) if kept[k] else -1 for k in range(len(limbs))]
    order = {k: n for n, k in enumerate(dict.fromkeys(k for k in tops if k >= 0))}
    return [order.get(k, -1) for k in tops]


def _drawn(
    limbs: tuple[Limb, ...],
    chains: list[int],
    verdicts: dict[int, Verdict],
    photo: Image,
    grid: CopyGrid,
    shape: tuple[int, ...],
) -> Bytes:
    """Return at each pixel the piece whose limbs it lies deepest in, from 0."""
    count = max(chains) + 1
    middles = np.zeros((count, *shape), np.float32)
    for limb, chain in zip(limbs, chains, strict=True):
        if chain >= 0:
            x, y = limb.points.T.astype(int)
            middles[chain, y, x] = limb.radii
    over = np.zeros((count, *shape), np.uint8)
    for verdict in verdicts.values():
        top = _on_top(verdict.pairs, photo, grid)
        for pair in verdict.pairs:
            chain = chains[pair[0].limb]
            width = (pair[0].width_px + pair[1].width_px) / 2
            _line(middles[chain], pair, width / 2, 1)
            if pair is top:  # within its own width nothing else is seen
                _line(over[chain], pair, 1, max(1, round(width)))
    outside = np.stack([_outside(middle) for middle in middles])
    outside[over > 0] = -np.float32(max(shape))
    return np.asarray(np.argmin(outside, axis=0), dtype=np.uint8)


def _line(
    canvas: Float32Array | Bytes, pair: tuple[Root, Root], value: float, thickness: int
) -> None:
    ends = np.round(np.stack([root.at for root in pair])).astype(np.int32)
    cv2.polylines(canvas, [ends], isClosed=False, color=(value,), thickness=thickness)


def _outside(middle: Float32Array) -> Float32Array:
    """Return how far each pixel lies outside of limbs, from half-widths along their middles."""
    empty = (middle == 0).astype(np.uint8)
    distance, nearest = cv2.distanceTransformWithLabels(
        empty, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    halves = np.zeros(int(nearest.max()) + 1, np.float32)
    halves[nearest[empty == 0]] = middle[empty == 0]
    return np.asarray(distance - halves[nearest], dtype=np.float32)


def _on_top(
    pairs: tuple[tuple[Root, Root], ...], photo: Image, grid: CopyGrid
) -> tuple[Root, Root] | None:
    """Return the pair whose colour the crossing itself has."""
    if len(pairs) < 2:
        return pairs[0] if pairs else None
    width = min(root.width_px for pair in pairs for root in pair)
    middle = np.mean([root.at for pair in pairs for root in pair], axis=0)
    seen = lab_at(middle[None], width, photo, grid)

    def distance(pair: tuple[Root, Root]) -> float:
        return float(np.linalg.norm((pair[0].lab + pair[1].lab) / 2 - seen))

    return min(pairs, key=distance)
