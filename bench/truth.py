"""Which found piece is which true one, on a photo whose truth is known.

Truths are ``cuproscope.truth/1``, as ``models.recipe.render`` writes them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

MATCH_IOU = 0.3


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
