"""The printed sheet: four markers around a white work area, and its drawing as PDF.

Positions are in mm on the paper, x to the right and y down from the upper left
corner, so that they map to pixels without a mirror.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from rules.errors import ContractError
from vision.reference.markers import MODULES, marker_bits
from vision.types import FloatArray

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

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
    """Return where everything lies on the sheet for ``a4`` or ``letter``."""
    if paper not in PAPERS_MM:
        raise ContractError(f"paper must be one of {', '.join(PAPERS_MM)}, not {paper!r}")
    width, height = PAPERS_MM[paper]
    right, low = width - MARGIN_MM - MARKER_SIDE_MM, height - MARGIN_MM - MARKER_SIDE_MM
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * MARKER_SIDE_MM
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


def write_sheet(path: Path, *, paper: str = "a4") -> None:
    """Write the sheet as a one-page vector PDF; the file appears whole or not at all.

    Args:
        path: Where to write; an existing file is replaced.
        paper: ``a4`` or ``letter``.

    Raises:
        ContractError: Unknown paper.
        OSError: The folder can't be written.
    """
    geometry = sheet_geometry(paper)
    path = Path(path)
    handle, draft = tempfile.mkstemp(dir=path.parent, prefix=path.name, suffix=".part")
    os.close(handle)
    try:
        _draw(Path(draft), geometry)
        Path(draft).chmod(0o644)
        Path(draft).replace(path)
    except BaseException:
        Path(draft).unlink(missing_ok=True)
        raise


def _draw(path: Path, geometry: SheetGeometry) -> None:
    from reportlab.lib.units import mm
    from reportlab.pdfgen.canvas import Canvas

    page = Canvas(
        str(path), pagesize=(geometry.width_mm * mm, geometry.height_mm * mm), invariant=1
    )
    page.setTitle("Cuproscope work sheet")
    # A viewer that honours it prints at 100 % without being asked.
    page.setViewerPreference("PrintScaling", "None")
    page.translate(0, geometry.height_mm * mm)
    page.scale(mm, -mm)  # from here on: mm, y down
    for number, corners in geometry.markers.items():
        _draw_marker(page, number, corners)
    for patch in geometry.patches:
        page.setFillGray(patch.code / 255)
        page.rect(*patch.box_mm, stroke=0, fill=1)
    _draw_bar(page, geometry)
    _draw_text(page, geometry)
    page.showPage()
    page.save()


def _draw_marker(page: Canvas, number: int, corners: FloatArray) -> None:
    """Black square first, white modules on top: no hairline between black modules."""
    x, y = corners[0]
    module = MARKER_SIDE_MM / MODULES
    page.setFillGray(0)
    page.rect(x, y, MARKER_SIDE_MM, MARKER_SIDE_MM, stroke=0, fill=1)
    page.setFillGray(1)
    for row, column in np.argwhere(marker_bits(number) > 0):
        page.rect(x + column * module, y + row * module, module, module, stroke=0, fill=1)


def _draw_bar(page: Canvas, geometry: SheetGeometry) -> None:
    (x0, y), (x1, _) = geometry.bar_mm
    page.setStrokeGray(0)
    page.setLineWidth(0.2)
    for x in (x0, x1):
        page.line(x, y - 3.5, x, y + 3.5)
    page.line(x0, y, x1, y)


def _write(
    page: Canvas, x: float, y: float, text: str, *, size_mm: float, bold: bool = False
) -> None:
    """Write one line; text is mirrored back because y runs down."""
    page.saveState()
    page.translate(x, y)
    page.scale(1, -1)
    page.setFillGray(0.1)
    page.setFont("Helvetica-Bold" if bold else "Helvetica", size_mm)
    page.drawString(0, 0, text)
    page.restoreState()


def _draw_text(page: Canvas, geometry: SheetGeometry) -> None:
    left = MARGIN_MM + MARKER_SIDE_MM + 10.0
    top = MARGIN_MM + 2.5
    _write(page, left, top, "Cuproscope work sheet", size_mm=4.2, bold=True)
    lines = (
        "1. Print at 100 % (actual size) on plain matte white paper. Lay it flat.",
        "2. Lay one piece on the white area below, clear of markers and print.",
        "3. Photograph straight down in soft daylight, no flash, all four markers in view.",
        "4. Measure the bar at the foot once. Not 50 mm? Say so, on the page or by --check-bar.",
        "Let cut or hot metal cool. Old solder dust holds lead: wash your hands. Never burn",
        "insulation. Local rules on buying and selling scrap come first.",
    )
    for i, line in enumerate(lines):
        _write(page, left, top + 4.6 + 3.6 * i, line, size_mm=2.75)
    (x0, y), _ = geometry.bar_mm
    _write(page, x0, y - 5.5, "Check bar, line to line: 50 mm", size_mm=2.75)
    paper = {"a4": "A4", "letter": "US Letter"}[geometry.paper]
    _write(page, x0, y + 6.6, f"{paper} sheet", size_mm=2.4)
    box = geometry.patches[0].box_mm
    _write(page, box[0], y + 1.2, "Greys: colour of the light", size_mm=2.75)
