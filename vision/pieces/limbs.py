"""Of which limbs is a find made, and where do they meet?

A find's mask is thinned to a line one pixel wide (:func:`vision.pieces.centreline.thinned`). Where
that forks is a junction, as wide as the find is there; what leads from one to another, or
to a free end, is a limb.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pieces.centreline import neighbours, thinned
from vision.types import Float32Array, FloatArray

Labels = NDArray[np.int32]
Bytes = NDArray[np.uint8]

ZONE = 1.15
"""The limbs of a junction begin at so many of its half-widths: within, the thinned line bends
from one limb's middle to the other's."""

LIMB_WIDTHS = 2.0
"""A limb is so many of its own widths long; shorter ones are frays, lugs and cut corners. At
1.5, on 220 tuned-on renders, a core was parted from its cable; at 3 wide pieces that another
crosses near their end were not parted."""

LIMB_PX = 8
"""And at least so many pixels long."""

STUB_WIDTHS = 0.5
"""A stub beyond a crossing is at least so long."""

BRIDGE = 3.0
"""Two junctions nearer than so many half-widths are one: thinning splits a crossing in two. At
2.2 a wire under another one was parted in two."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limb:
    """A stretch of an island's middle between junctions, or from one to a free end.

    Attributes:
        points: ``(n, 2)`` pixels (x, y), in order.
        radii: ``(n,)`` half-width of the island at each.
        start: Number of the junction where it begins, from 1.
        stop: Number of the one where it ends, 0 for a free end.
    """

    points: FloatArray
    radii: FloatArray
    start: int
    stop: int

    @property
    def is_link(self) -> bool:
        """Whether it leads from one junction to another."""
        return self.stop not in (0, self.start)

    @property
    def length_widths(self) -> float:
        """Its length over its typical width."""
        return len(self.points) / (2 * float(np.median(self.radii)))


def _rises() -> Bytes:
    """For each code of eight neighbours, how many runs of set ones lie around the pixel."""
    table = np.zeros(256, np.uint8)
    for code in range(256):
        ring = [code >> bit & 1 for bit in range(8)]
        table[code] = sum(not ring[i] and ring[(i + 1) % 8] for i in range(8))
    return table


_RISES = _rises()


def limbs_of(island: Bytes) -> tuple[tuple[Limb, ...], Labels]:
    """Return the limbs of an island and the number of the junction at each pixel.

    Args:
        island: ``(h, w)`` of 0 and 1, its rim 0.
    """
    thin = thinned(island)
    forks = (cv2.LUT(neighbours(thin), _RISES) >= 3) & (thin > 0)
    ys, xs = np.nonzero(forks)
    zones = np.zeros_like(island)
    if len(xs) == 0:
        return (), zones.astype(np.int32)
    distance = cv2.distanceTransform(island, cv2.DIST_L2, 5)
    for x, y in zip(xs.tolist(), ys.tolist(), strict=True):
        cv2.circle(zones, (x, y), round(ZONE * float(distance[y, x]) + 1), (1,), -1)
    while True:
        # What is left of the line between two zones that nearly touch would link nothing.
        _, rest, stats, _ = cv2.connectedComponentsWithStats(thin & (1 - zones), connectivity=8)
        if np.count_nonzero(stats[1:, cv2.CC_STAT_AREA] >= LIMB_PX) < 2:
            return (), zones.astype(np.int32)  # one limb and frays
        shreds = (stats[:, cv2.CC_STAT_AREA] < 3)[rest].astype(np.uint8)
        zones[cv2.dilate(shreds, np.ones((3, 3), np.uint8)) > 0] = 1
        junctions = cv2.connectedComponents(zones, connectivity=8)[1].astype(np.int32)
        limbs = _limbs(thin, junctions, np.asarray(distance, np.float32))
        bridges = [limb for limb in limbs if _is_bridge(limb)]
        if not bridges:
            return tuple(limbs), junctions
        for limb in bridges:
            points = np.round(limb.points).astype(np.int32)
            cv2.polylines(zones, [points], isClosed=False, color=(1,), thickness=3)


def _is_bridge(limb: Limb) -> bool:
    return limb.is_link and len(limb.points) < BRIDGE * float(limb.radii.max())


def _limbs(thin: Bytes, junctions: Labels, distance: Float32Array) -> list[Limb]:
    rest = np.where(junctions > 0, 0, thin).astype(np.uint8)
    count, numbers, stats, _ = cv2.connectedComponentsWithStats(rest, connectivity=8)
    beside = cv2.dilate(junctions.astype(np.float32), np.ones((3, 3), np.uint8)).astype(np.int32)
    limbs = []
    for number in range(1, count):
        x, y, w, h, area = stats[number]
        if area < 2:
            continue
        ys, xs = np.nonzero(numbers[y : y + h, x : x + w] == number)
        way = _in_order(xs + x, ys + y)
        start, stop = (int(beside[y, x]) for x, y in (way[0], way[-1]))
        if start == 0:
            way, start, stop = way[::-1], stop, start
        if start == 0:
            continue
        radii = distance[way[:, 1], way[:, 0]].astype(np.float64)
        limbs.append(Limb(points=way.astype(np.float64), radii=radii, start=start, stop=stop))
    return limbs


def _in_order(xs: NDArray[np.int64], ys: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the pixels of a line without forks from one end to the other, ``(n, 2)``."""
    left = set(zip(xs.tolist(), ys.tolist(), strict=True))
    # Straight neighbours first, or the corner of a step would be left out.
    shifts = ((0, 1), (1, 0), (0, -1), (-1, 0), (1, 1), (1, -1), (-1, -1), (-1, 1))

    def next_to(x: int, y: int) -> list[tuple[int, int]]:
        return [(x + dx, y + dy) for dx, dy in shifts if (x + dx, y + dy) in left]

    way = [min(left, key=lambda q: (len(next_to(*q)), q))]
    left.discard(way[0])
    while beyond := next_to(*way[-1]):
        way.append(beyond[0])
        left.discard(beyond[0])
    return np.array(way)


def forks_of(limbs: tuple[Limb, ...]) -> dict[int, list[tuple[int, bool]]]:
    """Return which limbs meet at each junction of three or more, and whether they begin there.

    Where a piece ends just beyond another, its stub is short: it counts where there would be
    two limbs without it and three with it.
    """
    meeting: dict[int, list[tuple[int, bool]]] = {}
    for number, limb in enumerate(limbs):
        meeting.setdefault(limb.start, []).append((number, True))
        if limb.stop:
            meeting.setdefault(limb.stop, []).append((number, False))
    forks = {}
    for junction, ends in meeting.items():
        chosen = [end for end in ends if is_long(limbs[end[0]], LIMB_WIDTHS)]
        if len(chosen) == 2:
            chosen = [end for end in ends if is_long(limbs[end[0]], STUB_WIDTHS)]
            if len(chosen) > 3:
                continue
        if len(chosen) >= 3:
            forks[junction] = chosen
    return forks


def is_long(limb: Limb, widths: float = LIMB_WIDTHS) -> bool:
    """Return whether a limb links two junctions or is long compared with its width."""
    return limb.is_link or (len(limb.points) >= LIMB_PX and limb.length_widths >= widths)
