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

from vision.pieces.fragments import Labels, Maps, joined, pairs_of, whole_features, whole_p
from vision.types import Float32Array, FloatArray, Mask, SurfaceMap

PIECE_P = 0.5
WEAK_P = 0.25
"""A piece is grown over pixels this likely from one that passes ``PIECE_P``: thin wire
fades along its length. On 145 renders this and ``GAP_P`` brought pieces found from 89 to
92 % and false finds a piece from 0.31 to 0.22, with ``SURE_P`` of finding.py."""

GAP_P = 0.07
"""Where another piece begins with more than this, fragments are cut apart. The right joining of
them would find 79 % of 131 pieces on seven tables at 0.07 and at 0.04, 75 % at 0.15. An
earlier fit, left out of its fold, found 66 % of 339 on 23 tables with 0.15 false ones a piece at
0.07, 65 % with 0.15 at 0.1 (panoptic quality 0.475 and 0.458)."""

CORE_AREA_PX = 25
"""A smaller island between two cuts is part of whatever lies nearest. At 12, on 80 tuned-on
renders with many leads side by side, 48 instead of 40 finds were nothing or a shred of
one; the same pieces were found."""


LEAST_P = 0.085
"""What is one whole piece with less is none: a shred, a stain, a part of a stranger. On six
tables that no fit saw (seeds 8920 to 8925) those from 0.07 on find 46 of 67 pieces with 13 false
ones, from 0.085 46 with 10, from 0.1 46 with 7; but of 54 pieces on 24 hard photos (6830 to 6853)
49, 49 and 47."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parting:
    """Which piece each pixel may show.

    Attributes:
        labels: ``(h, w)`` number of what may be a piece at each pixel, from 1; 0 none.
        whole_p: How likely what has each number is one whole piece; of 0, which is none, 1.
        meets: Whether it meets another, or what it is made of met, or it is borders all over.
    """

    labels: Labels
    whole_p: FloatArray
    meets: NDArray[np.bool_]

    @property
    def one_p(self) -> FloatArray:
        """How likely each is one whole piece and neither several nor a part of one.

        What meets nothing was joined with nothing in doubt, and may be faint for other reasons.
        """
        return np.where(self.meets, self.whole_p, 1.0)

    def kept(self, least_p: float = LEAST_P) -> Labels:
        """Return the labels without what is hardly one whole piece."""
        return np.asarray(self.labels * (self.whole_p >= least_p)[self.labels], dtype=np.int32)


def parted(piece: Float32Array, gap: Float32Array, surface: SurfaceMap) -> Parting:
    """Return what may be the pieces, and how surely each is one.

    Args:
        piece: ``(h, w)`` how likely the pixel is part of a piece.
        gap: ``(h, w)`` how likely another piece begins there.
        surface: The network's other maps, of the same part of the photo.
    """
    mask = grown_from(piece > PIECE_P, piece > WEAK_P)
    labels = np.zeros(mask.shape, np.int32)
    x, y, w, h = cv2.boundingRect(mask.view(np.uint8))
    box = (slice(y, y + h), slice(x, x + w))  # there is nothing outside of it
    fragments, count = cut(mask[box], gap[box]) if w else (labels, 1)
    if count == 1:
        return Parting(labels=labels, whole_p=np.ones(1), meets=np.zeros(1, bool))
    size_px = (piece.shape[1], piece.shape[0])
    maps = Maps(gap=gap[box], surface=surface, size_px=size_px, corner_px=(x, y))
    groups = joined(count, pairs_of(fragments, maps))
    told_p = whole_p(whole_features(fragments, groups, piece[box], gap[box]))
    used = np.unique(groups.of[1:])
    number = np.zeros(count, np.int32)
    number[used] = np.arange(1, len(used) + 1)
    labels[box] = number[groups.of][fragments]
    cores = np.bincount(fragments[gap[box] <= GAP_P], minlength=count)
    return Parting(
        labels=labels,
        whole_p=np.append(1.0, told_p[used]),
        meets=np.append(False, groups.meets[used] | (cores[used] < CORE_AREA_PX)),
    )


def cut(mask: Mask, gap: Float32Array) -> tuple[Labels, int]:
    """Return the fragment at each pixel of a mask, from 1, and one more than there are."""
    core = mask & (gap <= GAP_P)
    _, islands, stats, _ = cv2.connectedComponentsWithStats(core.view(np.uint8), connectivity=8)
    large = stats[:, cv2.CC_STAT_AREA] >= CORE_AREA_PX
    large[0] = False
    labels = np.asarray((np.cumsum(large) * large)[islands], dtype=np.int32)
    count = int(large.sum()) + 1
    # Of a bundle of a few pixels each, where pieces may begin all over, nothing is left to grow.
    _, whole, stats, _ = cv2.connectedComponentsWithStats(mask.view(np.uint8), connectivity=8)
    coreless = stats[:, cv2.CC_STAT_AREA] >= CORE_AREA_PX
    coreless[np.unique(whole[labels > 0])] = coreless[0] = False
    numbers = np.where(coreless, count - 1 + np.cumsum(coreless), 0)
    labels += numbers[whole].astype(np.int32)
    _grow(labels, mask)
    return labels, count + int(coreless.sum())


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
    seeds = labels > 0
    numbers = np.zeros(int(nearest.max()) + 1, np.int32)
    numbers[nearest[seeds]] = labels[seeds]
    missing = mask & ~seeds
    labels[missing] = numbers[nearest[missing]]
