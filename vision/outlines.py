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
GAP_P = 0.5

CORE_AREA_PX = 12
"""A smaller island between two cuts is part of whatever lies nearest."""

REACH_PX = 3
"""Two parts meet where they are this near to each other."""

JOIN_COSINE = 0.94
"""Two ends point at each other within 20 degrees."""

JOIN_WIDTH_RATIO = 1.6
"""Widths of the two ends may differ so much: perspective, and a cut along a slant."""


def parted(piece: Float32Array, gap: Float32Array | None = None) -> Labels:
    """Return the number of the piece at each pixel, from 1; 0 is none.

    Args:
        piece: ``(h, w)`` how likely the pixel is part of a piece.
        gap: ``(h, w)`` how likely another piece begins there; None where nobody can tell.
    """
    mask = piece > PIECE_P
    if gap is None:
        closed = cv2.morphologyEx(
            mask.astype(np.uint8),
            cv2.MORPH_CLOSE,
            cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5)),
        )
        return np.asarray(cv2.connectedComponents(closed, connectivity=8)[1], dtype=np.int32)
    core = mask & (gap <= GAP_P)
    count, islands, stats, _ = cv2.connectedComponentsWithStats(
        core.astype(np.uint8), connectivity=8
    )
    labels = np.asarray(islands, dtype=np.int32)
    small = stats[:, cv2.CC_STAT_AREA] < CORE_AREA_PX
    small[0] = True
    labels[small[labels]] = 0
    _grow(labels, mask)
    return _numbered(_joined(labels, count))


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


def _joined(labels: Labels, count: int) -> Labels:
    """Give parts that one piece shows on both sides of another the same number."""
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
    roots = np.array([_root(parent, k) for k in range(count)])
    return np.asarray(roots[labels], dtype=np.int32)


def _root(parent: NDArray[np.int64], k: int) -> int:
    while parent[k] != k:
        k = int(parent[k])
    return k


def _ends(labels: Labels, count: int) -> list[_End]:
    """Return where parts meet others, with the direction they come from."""
    found = []
    kernel = np.ones((2 * REACH_PX + 1, 2 * REACH_PX + 1), np.uint8)
    for part in range(1, count):
        own = labels == part
        if not own.any():
            continue
        grown = cv2.dilate(own.astype(np.uint8), kernel) > 0
        met = np.unique(labels[grown & ~own])
        for over in met[met > 0]:
            touching = own & (cv2.dilate((labels == over).astype(np.uint8), kernel) > 0)
            islands, where = cv2.connectedComponents(touching.astype(np.uint8), connectivity=8)
            for island in range(1, islands):
                end = _end(own, where == island, part=part, over=int(over))
                if end is not None:
                    found.append(end)
    return found


def _end(own: Mask, contact: Mask, *, part: int, over: int) -> _End | None:
    ys, xs = np.nonzero(contact)
    at = np.array([xs.mean(), ys.mean()])
    width = max(3.0, float(np.hypot(np.ptp(xs) + 1, np.ptp(ys) + 1)) - REACH_PX)
    reach = 3 * width + 6
    left, top = np.maximum(np.floor(at - reach).astype(int), 0)
    right, bottom = np.ceil(at + reach).astype(int) + 1
    near_y, near_x = np.nonzero(own[top:bottom, left:right])
    offset = np.stack([near_x + left, near_y + top], axis=1) - at
    offset = offset[np.hypot(*offset.T) <= reach]
    away = offset.mean(axis=0)
    length = float(np.hypot(*away))
    # A part that lies on both sides of the contact does not end there.
    if length < 0.2 * reach:
        return None
    return _End(part=part, over=over, at=at, away=away / length, width_px=width)


def _numbered(labels: Labels) -> Labels:
    """Return the same parts numbered from 1 without holes."""
    values, inverse = np.unique(labels, return_inverse=True)
    if values[0] != 0:
        inverse = inverse + 1
    return np.asarray(inverse.reshape(labels.shape), dtype=np.int32)
