"""The printed sheet as a PDF to print: the markers, the greys, the check bar and how to use it."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np

from vision.reference.markers import MODULES, marker_bits
from vision.reference.sheet import MARGIN_MM, MARKER_SIDE_MM, SheetGeometry, sheet_geometry
from vision.types import FloatArray

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas


def printed_sheet_pdf(paper: str = "a4") -> bytes:
    """Return the sheet as a one-page vector PDF.

    Args:
        paper: ``a4`` or ``letter``.

    Raises:
        ContractError: Unknown paper.
    """
    from reportlab.lib.units import mm
    from reportlab.pdfgen.canvas import Canvas

    geometry = sheet_geometry(paper)
    file = io.BytesIO()
    page = Canvas(file, pagesize=(geometry.width_mm * mm, geometry.height_mm * mm), invariant=1)
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
    return file.getvalue()


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
