"""The printed sheet: four markers around a white work area.

Positions are in mm on the paper, x to the right and y down from the upper left
corner, so that they map to pixels without a mirror.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rules.errors import ContractError
from vision.reference.plane import UNIT_SQUARE
from vision.types import FloatArray

# ISO 216 A4 and US Letter (8.5 x 11 in), from memory.
PAPERS_MM: Mapping[str, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
# Ids kept for the sheet, so that it is never taken for a person's own marker.
FIRST_ID: Mapping[str, int] = {"a4": 40, "letter": 44}
MARKER_SIDE_MM = 25.0
MARGIN_MM = 13.0  # paper's edge to black: printers leave 5 mm blank, the quiet zone takes 4.2
BAND_MM = 6.0  # work area's edge to the markers' rows
BAR_MM = 50.0
PATCH_SIDE_MM = 11.0
# Nominal coded grey levels and the share of the paper's light they send back when the
# printer follows sRGB (IEC 61966-2-1); a real printer strays, so they are only a hint.
PATCH_CODES = (217, 169, 119, 71)


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyPatch:
    """A grey square: its box ``(x, y, width, height)`` in mm and its nominal share of white."""

    box_mm: tuple[float, float, float, float]
    code: int

    @property
    def nominal_reflectance(self) -> float:
        """Share of the paper's light, linear, by the sRGB curve."""
        return float(((self.code / 255 + 0.055) / 1.055) ** 2.4)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SheetGeometry:
    """Where everything on the sheet is, in mm.

    Attributes:
        paper: ``a4`` or ``letter``.
        width_mm: Of the paper.
        height_mm: Of the paper.
        markers: ``(4, 2)`` corners of each marker's black square by id, clockwise
            from its own upper left.
        work_area_mm: ``(x, y, width, height)``: lay the piece here.
        bar_mm: Both ends of the check bar, ``(2, 2)``.
        patches: Grey squares.
        bands_mm: ``(x, y, width, height)`` of the two printed rows: never a piece.
    """

    paper: str
    width_mm: float
    height_mm: float
    markers: Mapping[int, FloatArray]
    work_area_mm: tuple[float, float, float, float]
    bar_mm: FloatArray
    patches: tuple[GreyPatch, ...]
    bands_mm: tuple[tuple[float, float, float, float], ...]


def sheet_geometry(paper: str) -> SheetGeometry:
    """Return where everything lies on the sheet for ``a4`` or ``letter``.

    >>> sheet_geometry("a4").work_area_mm
    (13.0, 44.0, 184.0, 209.0)
    """
    if paper not in PAPERS_MM:
        raise ContractError(f"paper must be one of {', '.join(PAPERS_MM)}, not {paper!r}")
    width, height = PAPERS_MM[paper]
    right, low = width - MARGIN_MM - MARKER_SIDE_MM, height - MARGIN_MM - MARKER_SIDE_MM
    square = UNIT_SQUARE * MARKER_SIDE_MM
    places = [(MARGIN_MM, MARGIN_MM), (right, MARGIN_MM), (right, low), (MARGIN_MM, low)]
    first = FIRST_ID[paper]
    row = MARKER_SIDE_MM + 2 * BAND_MM
    top = MARGIN_MM + MARKER_SIDE_MM + BAND_MM
    bar_x, bar_y = MARGIN_MM + MARKER_SIDE_MM + 10.0, low + 17.0
    patch_x = bar_x + BAR_MM + 10.0
    patches = tuple(
        GreyPatch(
            box_mm=(patch_x + i * (PATCH_SIDE_MM + 1.0), low + 4.0, PATCH_SIDE_MM, PATCH_SIDE_MM),
            code=code,
        )
        for i, code in enumerate(PATCH_CODES)
    )
    return SheetGeometry(
        paper=paper,
        width_mm=width,
        height_mm=height,
        markers={first + i: square + np.array(place) for i, place in enumerate(places)},
        work_area_mm=(MARGIN_MM, top, width - 2 * MARGIN_MM, height - 2 * top),
        bar_mm=np.array([[bar_x, bar_y], [bar_x + BAR_MM, bar_y]]),
        patches=patches,
        bands_mm=(
            (MARGIN_MM - BAND_MM, MARGIN_MM - BAND_MM, width - 2 * (MARGIN_MM - BAND_MM), row),
            (MARGIN_MM - BAND_MM, low - BAND_MM, width - 2 * (MARGIN_MM - BAND_MM), row),
        ),
    )
