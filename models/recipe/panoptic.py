"""Panoptic quality: whether each piece is found, and how well, in one number.

A found piece and a true one match where their intersection over union is more than one half;
segments that don't overlap each other can match in one way only. Over all photos

    PQ = (sum of the matches' IoU) / (matched + extra / 2 + missed / 2) = SQ * RQ

where SQ is the mean IoU of the matches and RQ the F1 score of finding. There is one class
here, the piece.

References:
    A. Kirillov, K. He, R. Girshick, C. Rother and P. Dollar (2019), Panoptic segmentation,
    CVPR, arXiv:1801.00868, sections 4.1 and 4.2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan

import numpy as np
from scipy.optimize import linear_sum_assignment

from vision.types import FloatArray

MATCHED_IOU = 0.5
"""More than this matches (section 4.1): then no piece can match twice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality:
    """What came of finding on some photos; two add up to that of both.

    Attributes:
        iou_sum: Of the matches.
        matched: Pairs of a true piece and a found one (true positives).
        extra: Found pieces that match none (false positives).
        missed: True pieces that nothing matches (false negatives).

    >>> one = Quality(iou_sum=1.6, matched=2, extra=1, missed=1)
    >>> round(one.sq, 3), round(one.rq, 3), round(one.pq, 3)
    (0.8, 0.667, 0.533)
    """

    iou_sum: float = 0.0
    matched: int = 0
    extra: int = 0
    missed: int = 0

    def __add__(self, other: Quality) -> Quality:
        return Quality(
            iou_sum=self.iou_sum + other.iou_sum,
            matched=self.matched + other.matched,
            extra=self.extra + other.extra,
            missed=self.missed + other.missed,
        )

    @property
    def asked(self) -> float:
        """What the sums are divided by: mean of the numbers of true and of found pieces."""
        return self.matched + self.extra / 2 + self.missed / 2

    @property
    def sq(self) -> float:
        """Segmentation quality, 0.5 to 1: mean IoU of the matches; NaN without one."""
        return self.iou_sum / self.matched if self.matched else nan

    @property
    def rq(self) -> float:
        """Recognition quality, 0 to 1: the F1 score of finding; NaN where nothing is asked."""
        return self.matched / self.asked if self.asked else nan

    @property
    def pq(self) -> float:
        """Panoptic quality, 0 to 1; NaN where nothing is asked."""
        return self.iou_sum / self.asked if self.asked else nan


def pairs(overlap: FloatArray) -> list[tuple[int, int]]:
    """Pair rows with columns, one to one, so that the overlaps sum to the most; 0 pairs none."""
    rows, columns = linear_sum_assignment(overlap, maximize=True)
    return [(int(r), int(c)) for r, c in zip(rows, columns, strict=True) if overlap[r, c] > 0]


def quality(iou: FloatArray, *, ignored: Sequence[bool]) -> Quality:
    """Return the quality of one photo.

    Args:
        iou: ``(true, found)`` intersection over union, ground nobody is sure of taken out.
        ignored: ``(found,)`` whether a found piece that matches nothing is no extra one.
    """
    matches = pairs(np.where(iou > MATCHED_IOU, iou, 0.0))
    taken = {found for _, found in matches}
    return Quality(
        iou_sum=float(sum(iou[true, found] for true, found in matches)),
        matched=len(matches),
        extra=sum(not skip and index not in taken for index, skip in enumerate(ignored)),
        missed=len(iou) - len(matches),
    )
