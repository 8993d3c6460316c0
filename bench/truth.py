"""Which found piece is which true one, on a photo whose truth is known.

Truths are ``cuproscope.truth/1``, as ``models.recipe.render`` writes them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

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


def match(
    numbers: np.ndarray, pieces: Sequence[Any], width_px: int, height_px: int
) -> dict[int, tuple[int, float]]:
    """Pair true pieces with found ones, one to one, so that the overlaps sum to the most.

    One outline over two pieces finds one of them; the other is missed, not wrongly measured.

    Returns:
        The found piece's index and the overlap by the true piece's number.
    """
    import cv2
    from scipy.optimize import linear_sum_assignment

    trues = [int(number) for number in np.unique(numbers) if number != 0]
    overlap = np.zeros((len(trues), len(pieces)))
    for index, piece in enumerate(pieces):
        x, y, w, h = piece.region.box_px
        full = np.zeros((height_px, width_px), np.uint8)
        full[y : y + h, x : x + w] = piece.region.mask
        small = cv2.resize(full, numbers.shape[1::-1], interpolation=cv2.INTER_NEAREST) > 0
        under = set(np.unique(numbers[small]).tolist())
        for row, number in enumerate(trues):
            if number in under:
                own = numbers == number
                iou = float((own & small).sum() / (own | small).sum())
                overlap[row, index] = iou if iou >= MATCH_IOU else 0.0
    rows, columns = linear_sum_assignment(overlap, maximize=True)
    return {
        trues[row]: (int(index), float(overlap[row, index]))
        for row, index in zip(rows, columns, strict=True)
        if overlap[row, index] > 0
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
