"""Which found piece is which true one, on a photo whose truth is known.

Truths are ``cuproscope.truth/1``, as ``models.recipe.render`` writes them.
"""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from models.recipe.panoptic import pairs
from vision.types import FloatArray

MATCH_IOU = 0.3

DENSE_PX = 0.1
"""How finely true sides are cut."""


def is_whole(truth: dict[str, Any]) -> bool:
    """Whether the photo shows a reference that its rim doesn't cut."""
    if not truth["references"]:
        return False
    outline = np.array(truth["references"][0]["outline_px"])
    size = (truth["width_px"] - 1, truth["height_px"] - 1)
    return bool((outline >= 0).all() and (outline <= size).all())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Overlaps:
    """How found pieces lie over true ones.

    Attributes:
        trues: Numbers of the true pieces, in the order of the rows.
        iou: ``(true, found)`` intersection over union, ground nobody is sure of taken out.
        on_true: ``(true, found)`` share of each found piece that lies on each true one.
        unsure: ``(found,)`` share that lies on ground nobody is sure of.
    """

    trues: tuple[int, ...]
    iou: FloatArray
    on_true: FloatArray
    unsure: FloatArray

    def of(self, numbers: Container[int]) -> Overlaps:
        """Return how they lie over some of the true pieces, as if there were no others."""
        rows = [row for row, number in enumerate(self.trues) if number in numbers]
        return replace(
            self,
            trues=tuple(self.trues[row] for row in rows),
            iou=self.iou[rows],
            on_true=self.on_true[rows],
        )


def overlaps(
    numbers: np.ndarray,
    pieces: Sequence[Any],
    width_px: int,
    height_px: int,
    *,
    unsure: np.ndarray | None = None,
) -> Overlaps:
    """Return how found pieces lie over true ones.

    Args:
        numbers: ``(h, w)`` number of the true piece at each place, 0 for none.
        pieces: What was found, each with its ``region`` in photo pixels.
        width_px: Width of the photo, of which ``numbers`` may be a smaller copy.
        height_px: Its height.
        unsure: ``(h, w)`` ground that nobody is sure of, where there is some.
    """
    import cv2

    void = np.zeros(numbers.shape, bool) if unsure is None else unsure
    areas = np.bincount(numbers[~void])
    trues = [int(n) for n in np.flatnonzero(areas) if n != 0]
    iou, on_true = np.zeros((2, len(trues), len(pieces)))
    on_void = np.zeros(len(pieces))
    for index, piece in enumerate(pieces):
        x, y, w, h = piece.region.box_px
        full = np.zeros((height_px, width_px), np.uint8)
        full[y : y + h, x : x + w] = piece.region.mask
        small = cv2.resize(full, numbers.shape[1::-1], interpolation=cv2.INTER_NEAREST) > 0
        own = np.bincount(numbers[small & ~void], minlength=len(areas))
        total = int(small.sum())
        if total:
            iou[:, index] = own[trues] / (areas[trues] + own.sum() - own[trues])
            on_true[:, index] = own[trues] / total
            on_void[index] = (total - own.sum()) / total
    return Overlaps(trues=tuple(trues), iou=iou, on_true=on_true, unsure=on_void)


def match(over: Overlaps) -> dict[int, tuple[int, float]]:
    """Pair true pieces with found ones, one to one, so that the overlaps sum to the most.

    One outline over two pieces finds one of them; the other is missed, not wrongly measured.

    Returns:
        The found piece's index and the overlap by the true piece's number.
    """
    enough = np.where(over.iou >= MATCH_IOU, over.iou, 0.0)
    return {
        over.trues[row]: (column, float(over.iou[row, column])) for row, column in pairs(enough)
    }


def off_px(left_px: FloatArray, right_px: FloatArray, limbs_px: FloatArray) -> FloatArray:
    """Return ``(n, 2)`` how far outside the true sides two edges lie, px; NaN where unknown.

    Args:
        left_px: ``(n, 2)`` one edge of each stretch.
        right_px: ``(n, 2)`` the other.
        limbs_px: ``(m, 4)`` x and y of one true side and of the other, in order along the run.
    """
    middle = (limbs_px[:, :2] + limbs_px[:, 2:]) / 2
    arc = np.append(0, np.cumsum(np.linalg.norm(np.diff(middle, axis=0), axis=1)))
    at = np.arange(0, arc[-1], DENSE_PX)
    dense = np.stack([np.interp(at, arc, limbs_px[:, k]) for k in range(4)], axis=1)
    found = np.full((len(left_px), 2), np.nan)
    for row, (left, right) in enumerate(zip(left_px, right_px, strict=True)):
        wide = float(np.linalg.norm(right - left))
        across = (right - left) / wide
        along = np.array([-across[1], across[0]])
        sides = []
        for k in (0, 2):
            to = dense[:, k : k + 2] - (left + right) / 2
            to = to[np.hypot(*to.T) < 2 * wide + 5]
            cut = to[np.abs(to @ along).argmin()] if len(to) else np.full(2, np.nan)
            sides.append(cut @ across if abs(cut @ along) < 2 * DENSE_PX else np.nan)
        low, high = sorted(sides)
        found[row] = wide / 2 + low, wide / 2 - high
    return found
