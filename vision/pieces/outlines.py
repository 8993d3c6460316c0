"""Which pixels belong together: from a map of pieces to numbered ones.

The surface network says of each pixel whether it is part of a piece and whether
another piece begins there. Cutting along the second parts pieces that touch or cross, and
some that are one; which of the fragments belong together :mod:`vision.pieces.fragments` tells.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pieces.fragments import joined, pairs_of
from vision.types import Float32Array, Image, Mask

Labels = NDArray[np.int32]

PIECE_P = 0.5
WEAK_P = 0.25
"""A piece is grown over pixels this likely from one that passes ``PIECE_P``: thin wire
fades along its length. On 145 renders this and ``GAP_P`` brought pieces found from 89 to
92 % and false finds a piece from 0.31 to 0.22, with ``SURE_P`` of pieces.py."""

GAP_P = 0.15
"""Where another piece begins with more than this, fragments are cut apart. On the maps of 20
tuned-on tables of 5 to 30 pieces and 24 other photos, what the right joining of fragments would
reach: panoptic quality 0.51 of tables at 0.1, 0.49 at 0.15, 0.38 at 0.35. What the fitted joining
reached on photos left out of its fit: 0.37 at 0.04, 0.38 at 0.07 and 0.1, 0.36 at 0.15."""

CORE_AREA_PX = 25
"""A smaller island between two cuts is part of whatever lies nearest. At 12, on 80 tuned-on
renders with many leads side by side, 48 instead of 40 finds were nothing or a shred of
one; the same pieces were found."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parting:
    """Which piece each pixel shows.

    Attributes:
        labels: ``(h, w)`` number of the piece at each pixel, from 1; 0 none.
        several: Numbers of those that are likely several, but could not be parted surely.
    """

    labels: Labels
    several: frozenset[int] = frozenset()


def parted(piece: Float32Array, gap: Float32Array, view: Image) -> Parting:
    """Return the piece at each pixel.

    Args:
        piece: ``(h, w)`` how likely the pixel is part of a piece.
        gap: ``(h, w)`` how likely another piece begins there.
        view: ``(h, w, 3)`` uint8 RGB, the photo at that size.
    """
    mask = grown_from(piece > PIECE_P, piece > WEAK_P)
    labels = np.zeros(mask.shape, np.int32)
    x, y, w, h = cv2.boundingRect(mask.view(np.uint8))
    if w == 0:
        return Parting(labels=labels)
    box = (slice(y, y + h), slice(x, x + w))  # there is nothing outside of it
    fragments, count = cut(mask[box], gap[box])
    area_px = np.bincount(fragments.ravel(), minlength=count)
    group, doubtful = joined(area_px, pairs_of(fragments, gap[box], view[box]))
    used = np.unique(group[1:])
    number = np.zeros(count, np.int32)
    number[used] = np.arange(1, len(used) + 1)
    labels[box] = number[group][fragments]
    return Parting(labels=labels, several=frozenset(int(n) for n in number[used[doubtful[used]]]))


def cut(mask: Mask, gap: Float32Array) -> tuple[Labels, int]:
    """Return the fragment at each pixel of a mask, from 1, and one more than there are."""
    core = mask & (gap <= GAP_P)
    _, islands, stats, _ = cv2.connectedComponentsWithStats(core.view(np.uint8), connectivity=8)
    large = stats[:, cv2.CC_STAT_AREA] >= CORE_AREA_PX
    large[0] = False
    labels = np.asarray((np.cumsum(large) * large)[islands], dtype=np.int32)
    _grow(labels, mask)
    return labels, int(large.sum()) + 1


def grown_from(seeds: Mask, weak: Mask) -> Mask:
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
