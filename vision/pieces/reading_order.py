"""In which order are the pieces numbered, so that whoever reads the photo finds them?"""

from __future__ import annotations

from collections.abc import Sequence

from vision.types import Box

LEAST_OVERLAP = 0.5
"""Two boxes stand in one row where so much of the lower one's height is common: what a reader
takes for one line. Chosen, not measured."""


def reading_order(boxes_px: Sequence[Box]) -> list[int]:
    """Return the boxes' indices as a page is read: rows from the top, each from the left.

    A row begins with the box whose middle is highest, and takes in whatever shares enough of
    the height that all of the row have in common: so a long upright piece stands in the
    first row that it reaches, and does not tie the rows beside it together.

    Args:
        boxes_px: ``(x, y, width, height)`` of each piece.

    >>> reading_order([(300, 10, 50, 20), (10, 200, 50, 20), (10, 12, 50, 20)])
    [2, 0, 1]
    """
    left = sorted(range(len(boxes_px)), key=lambda i: _middle(boxes_px[i]))
    ordered: list[int] = []
    while left:
        _, top, _, height = boxes_px[left[0]]
        bottom = top + height
        row = []
        for index in left:
            _, y, _, h = boxes_px[index]
            common = min(bottom, y + h) - max(top, y)
            if common >= LEAST_OVERLAP * min(bottom - top, h):
                row.append(index)
                top, bottom = max(top, y), min(bottom, y + h)
        ordered += sorted(row, key=lambda i: (boxes_px[i][0], boxes_px[i][1]))
        left = [index for index in left if index not in row]
    return ordered


def _middle(box_px: Box) -> float:
    return box_px[1] + box_px[3] / 2
