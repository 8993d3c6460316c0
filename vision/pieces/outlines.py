"""Which pixels belong together: from a map of pieces to numbered ones.

The surface network says of each pixel whether it is part of a piece and whether
another piece begins there. Cutting along the second parts pieces that touch; what a
piece lying across has cut in two is joined again where both ends point at each other
and are alike in width.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.types import Float32Array, FloatArray, Mask

Labels = NDArray[np.int32]

PIECE_P = 0.5
WEAK_P = 0.25
"""A piece is grown over pixels this likely from one that passes ``PIECE_P``: thin wire
fades along its length. On 145 renders this and ``GAP_P`` brought pieces found from 89 to
92 % and false finds a piece from 0.31 to 0.22, with ``SURE_P`` of pieces.py."""

GAP_P = 0.35
"""Where another piece begins with more than this, pieces are cut apart."""

CORE_AREA_PX = 25
"""A smaller island between two cuts is part of whatever lies nearest. At 12, on 80 tuned-on
renders with many leads side by side, 48 instead of 40 finds were nothing or a shred of
one; the same pieces were found."""

REACH_PX = 3
"""Two parts meet where they are this near to each other."""

JOIN_COSINE = 0.94
"""Two ends point at each other within 20 degrees."""

JOIN_WIDTH_RATIO = 1.6
"""Widths of the two ends may differ so much: perspective, and a cut along a slant."""


def parted(piece: Float32Array, gap: Float32Array) -> Labels:
    """Return the number of the piece at each pixel, from 1; 0 is none.

    Args:
        piece: ``(h, w)`` how likely the pixel is part of a piece.
        gap: ``(h, w)`` how likely another piece begins there.
    """
    mask = _grown_from(piece > PIECE_P, piece > WEAK_P)
    labels = np.zeros(mask.shape, np.int32)
    x, y, w, h = cv2.boundingRect(mask.view(np.uint8))
    box = (slice(y, y + h), slice(x, x + w))  # there is nothing outside of it
    if w > 0:
        labels[box] = _cut(mask[box], gap[box])
    return labels


def _cut(mask: Mask, gap: Float32Array) -> Labels:
    """Return the number of the piece at each pixel of a mask, from 1."""
    core = mask & (gap <= GAP_P)
    count, islands, stats, _ = cv2.connectedComponentsWithStats(core.view(np.uint8), connectivity=8)
    large = stats[:, cv2.CC_STAT_AREA] >= CORE_AREA_PX
    large[0] = False
    labels = np.asarray((np.arange(count, dtype=np.int32) * large)[islands], dtype=np.int32)
    _grow(labels, mask)
    roots = _joined(labels, count)
    # From 1 without holes.
    used = np.zeros(count, bool)
    used[roots[large]] = True
    number = (np.cumsum(used) * used).astype(np.int32)
    return np.asarray(number[roots][labels], dtype=np.int32)


def _grown_from(seeds: Mask, weak: Mask) -> Mask:
    """Return the islands of ``weak`` that hold a seed."""
    count, islands = cv2.connectedComponents(weak.view(np.uint8), connectivity=8)
    kept = np.bincount(islands[seeds], minlength=count) > 0
    kept[0] = False
    return np.asarray(kept[islands], dtype=bool)


def _grow(labels: Labels, mask: Mask) -> None:
    """Give each pixel of the mask the number of the nearest labelled one, in place."""
    if not labels.any():
        return
    unlabelled = (labels == 0).astype(np.uint8)
    _, nearest = cv2.distanceTransformWithLabels(
        unlabelled, cv2.DIST_L2, 3, labelType=cv2.DIST_LABEL_PIXEL
    )
    ys, xs = np.nonzero(unlabelled == 0)
    numbers = np.zeros(int(nearest.max()) + 1, np.int32)
    numbers[nearest[ys, xs]] = labels[ys, xs]
    missing = mask & (labels == 0)
    labels[missing] = numbers[nearest[missing]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _End:
    """Where a part stops because another lies over it."""

    part: int
    over: int
    at: FloatArray
    away: FloatArray
    width_px: float


def _joined(labels: Labels, count: int) -> NDArray[np.int64]:
    """Return for each part the one it belongs to: itself, or one it goes on as past another."""
    ends = _ends(labels, count)
    parent = np.arange(count)
    pairs = []
    for a, b in combinations(ends, 2):
        if a.part == b.part or a.over != b.over:
            continue
        gap = b.at - a.at
        length = float(np.hypot(*gap))
        if length < 1e-6 or length > 6 * max(a.width_px, b.width_px) + 12:
            continue
        along = gap / length
        if min(-a.away @ along, b.away @ along) < JOIN_COSINE:
            continue
        if max(a.width_px, b.width_px) > JOIN_WIDTH_RATIO * min(a.width_px, b.width_px):
            continue
        pairs.append((length, a.part, b.part))
    for _, first, second in sorted(pairs):
        parent[_root(parent, second)] = _root(parent, first)
    return np.array([_root(parent, k) for k in range(count)])


def _root(parent: NDArray[np.int64], k: int) -> int:
    while parent[k] != k:
        k = int(parent[k])
    return k


def _ends(labels: Labels, count: int) -> list[_End]:
    """Return where parts meet others, with the direction they come from."""
    window = np.ones((2 * REACH_PX + 1, 2 * REACH_PX + 1), np.uint8)
    numbers = labels.astype(np.float32)
    high = cv2.dilate(numbers, window)
    low = cv2.erode(np.where(labels > 0, numbers, np.float32(count)), window)
    ys, xs = np.nonzero((labels > 0) & (high != low))
    own = labels[ys, xs]
    # The other one in the window; of three, whichever has the outer number.
    other = np.where(high[ys, xs] != own, high[ys, xs], low[ys, xs]).astype(np.int32)
    found = []
    pairs = np.bincount(own * count + other) if len(own) else np.zeros(0, np.int64)
    for part, over in zip(*divmod(np.flatnonzero(pairs), count), strict=True):
        chosen = (own == part) & (other == over)
        left, top = xs[chosen].min(), ys[chosen].min()
        touching = np.zeros((np.ptp(ys[chosen]) + 1, np.ptp(xs[chosen]) + 1), np.uint8)
        touching[ys[chosen] - top, xs[chosen] - left] = 1
        islands, where = cv2.connectedComponents(touching, connectivity=8)
        for island in range(1, islands):
            y, x = np.nonzero(where == island)
            end = _end(labels, x + left, y + top, part=int(part), over=int(over))
            if end is not None:
                found.append(end)
    return found


def _end(
    labels: Labels, xs: NDArray[np.int64], ys: NDArray[np.int64], *, part: int, over: int
) -> _End | None:
    """Return the end of a part whose pixels at the contact these are."""
    at = np.array([xs.mean(), ys.mean()])
    width = max(3.0, float(np.hypot(np.ptp(xs) + 1, np.ptp(ys) + 1)) - REACH_PX)
    reach = 3 * width + 6
    left, top = np.maximum(np.floor(at - reach).astype(int), 0)
    right, bottom = np.ceil(at + reach).astype(int) + 1
    near_y, near_x = np.nonzero(labels[top:bottom, left:right] == part)
    offset = np.stack([near_x + left, near_y + top], axis=1) - at
    offset = offset[np.hypot(*offset.T) <= reach]
    away = offset.mean(axis=0)
    length = float(np.hypot(*away))
    # A part that lies on both sides of the contact does not end there.
    if length < 0.2 * reach:
        return None
    return _End(part=part, over=over, at=at, away=away / length, width_px=width)
