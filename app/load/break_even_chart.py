"""The break-even chart as a picture: from which weight on does a kind of job pay?

Drawn with reportlab, which the printed sheet and the ticket need anyway; the web page
draws the same data with the charts that Streamlit brings.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from app.files import write_whole
from app.load.units import MassUnit
from app.load.worth import BreakEven

if TYPE_CHECKING:
    from reportlab.graphics.shapes import Drawing

WIDTH, HEIGHT = 480, 320
_LEFT, _BOTTOM, _RIGHT, _TOP = 62, 46, 170, 30
_LOOKS = (
    # Told apart by dashes as well as by colour (Okabe and Ito's palette).
    ("#0072B2", None),
    ("#D55E00", (7, 3)),
    ("#009E73", (2, 2)),
    ("#CC79A7", (9, 3, 2, 3)),
    ("#56B4E9", (4, 2)),
    ("#E69F00", (1, 2)),
)
_INK = "#1d2327"
_RULE = "#c3cacd"


def chart_rows(
    curves: Sequence[tuple[str, BreakEven]], *, unit: MassUnit
) -> list[dict[str, object]]:
    """Return the chart's data, one row a point: kind, price gap a unit, least weight."""
    per = float(unit.kg)
    return [
        {
            "kind": name,
            "gap": round(gap * per, 4),
            "least": round(kg / per, 5),
            "unit": str(unit),
        }
        for name, curve in curves
        for gap, kg in curve.curve
    ]


def write_break_even_chart(
    path: Path,
    curves: Sequence[tuple[str, BreakEven]],
    *,
    unit: MassUnit,
    currency: str,
    hourly: float,
) -> None:
    """Write the chart as ``.pdf`` or ``.svg``, whole or not at all.

    A dot marks each kind at the buyer's prices of today.

    Raises:
        ValueError: Another kind of file.
        OSError: The file can't be written.
    """
    drawing = _drawing(curves, unit=unit, currency=currency, hourly=hourly)
    if path.suffix == ".pdf":
        from reportlab.graphics import renderPDF

        write_whole(path, lambda part: renderPDF.drawToFile(drawing, str(part)))
    elif path.suffix == ".svg":
        from reportlab.graphics import renderSVG

        write_whole(path, lambda part: renderSVG.drawToFile(drawing, str(part)))
    else:
        raise ValueError("a chart is written as .pdf or .svg")


def _drawing(
    curves: Sequence[tuple[str, BreakEven]], *, unit: MassUnit, currency: str, hourly: float
) -> Drawing:
    from reportlab.graphics.shapes import Circle, Drawing, Line, PolyLine, String
    from reportlab.lib.colors import HexColor

    per = float(unit.kg)
    drawn = [(name, one) for name, one in curves if one.curve]
    now = [(o.gap_per_kg * per, o.least_kg / per) for _, o in drawn if o.least_kg is not None]
    right = max([1.6 * gap for gap, _ in now], default=1.0)
    top = max([2.5 * least for _, least in now], default=1.0)
    across, up = WIDTH - _LEFT - _RIGHT, HEIGHT - _BOTTOM - _TOP

    def at(gap: float, least: float) -> tuple[float, float]:
        return _LEFT + across * gap / right, _BOTTOM + up * least / top

    page = Drawing(WIDTH, HEIGHT)
    ink = HexColor(_INK)

    def words(x: float, y: float, text: str, size: float = 8, anchor: str = "start") -> None:
        page.add(
            String(
                x, y, text, fontSize=size, fontName="Helvetica", textAnchor=anchor, fillColor=ink
            )
        )

    for share in (0, 0.25, 0.5, 0.75, 1):
        x, y = at(share * right, share * top)
        page.add(Line(_LEFT, y, _LEFT + across, y, strokeColor=HexColor(_RULE), strokeWidth=0.5))
        words(_LEFT - 5, y - 3, f"{share * top:.2g}", anchor="end")
        words(x, _BOTTOM - 12, f"{share * right:.2f}", anchor="middle")
    words(
        _LEFT,
        HEIGHT - 14,
        f"From this weight on ({unit}) the job pays {currency} {hourly:g} an hour",
        9,
    )
    words(_LEFT + across / 2, 12, f"price gap, {currency} a {unit}", anchor="middle")
    for index, (name, one) in enumerate(drawn):
        colour, dashes = _LOOKS[index % len(_LOOKS)]
        line = [
            at(g * per, kg / per) for g, kg in one.curve if kg / per <= top and g * per <= right
        ]
        stroke = {"strokeColor": HexColor(colour), "strokeWidth": 1.6, "strokeDashArray": dashes}
        if len(line) > 1:
            page.add(PolyLine([v for point in line for v in point], **stroke))
        y = HEIGHT - _TOP - 14 - 26 * index
        x = WIDTH - _RIGHT + 12
        page.add(Line(x, y + 3, x + 22, y + 3, **stroke))
        words(x + 27, y, name)
        if one.least_kg is not None:
            dot = at(one.gap_per_kg * per, one.least_kg / per)
            page.add(Circle(*dot, 3.2, fillColor=HexColor(colour), strokeColor=None))
            words(x + 27, y - 10, f"today from {one.least_kg / per:.2g} {unit}", 7)
        else:
            words(x + 27, y - 10, "never pays today", 7)
    return page
