"""Where to cut a fitting or a soldered joint off, so that the rest may rise.

Across the piece, a little beyond what is suspected to be brass or solder: on the side
where enough of the piece is left to be worth a cut.
"""

from __future__ import annotations

import numpy as np

from rules.findings import What
from vision.pieces.centreline import CentreLine, centre_line
from vision.types import FloatArray, PieceReading

LIKELY_P = 0.5
"""Nothing is cut for a suspicion that is likelier wrong than right."""

BEYOND_RADII = 0.8
"""So many half-widths beyond the suspected spot: clear of solder that ran along the seam."""

WORTH_RADII = 4.0
"""A rest shorter than so many half-widths (twice its thickness) is no rest worth a cut."""

OVER_RADII = 1.7
"""The line is drawn this far out to either side of the middle."""


def cut_lines(reading: PieceReading) -> FloatArray:
    """Return where to cut, ``(n, 2, 2)`` ends of lines across the piece; n may be 0."""
    findings = reading.findings
    boxes = [
        box
        for what in (What.BRASS, What.SOLDER)
        if findings.p_of(what) >= LIKELY_P
        for box in reading.boxes_px.get(what, ())
    ]
    mask = reading.region.mask
    if not boxes or mask.size < 9:
        return np.zeros((0, 2, 2))
    line = centre_line(mask, offset_px=reading.region.box_px[:2])
    if line is None:
        return np.zeros((0, 2, 2))
    return np.array([_across(line, at) for at in _places(line, boxes)]).reshape(-1, 2, 2)


def _places(line: CentreLine, boxes: list[tuple[int, int, int, int]]) -> list[int]:
    """Return the points of the line to cut at: just outside of runs that lie in a box."""
    x, y = line.points_px.T
    inside = np.zeros(len(x), bool)
    for left, top, width, height in boxes:
        inside |= (x >= left) & (x < left + width) & (y >= top) & (y < top + height)
    if not inside.any():
        return []
    beyond = round(BEYOND_RADII * line.radius_px / line.step_px)
    worth = round(WORTH_RADII * line.radius_px / line.step_px)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(int)))
    runs = [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    ends = [-1, *(edge for run in runs for edge in run), len(x)]
    found = []
    for number, (first, last) in enumerate(runs):
        before, after = ends[2 * number], ends[2 * number + 3]
        if first - beyond - before > worth:
            found.append(first - beyond)
        if after - last - beyond > worth:
            found.append(last + beyond)
    return found


def _across(line: CentreLine, at: int) -> FloatArray:
    off = OVER_RADII * line.radius_px * line.normals[at]
    return np.stack([line.points_px[at] + off, line.points_px[at] - off])
