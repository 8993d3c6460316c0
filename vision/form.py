"""What kind of thing is the piece: wire, stranded cable, tube, sheet, or other?

Shape tells long from flat; thickness tells wire from tube, because the trade's
solid wire ends where its tube begins; grooves tell a bundle of strands from both.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

import cv2
import numpy as np

from rules.findings import Form, FormFinding
from vision.types import Mask, Region

LONG_RATIO = 4.0
"""Length over width from which a shape is taken as drawn stock rather than flat."""

WIRE_TUBE_MM = 5.6
"""Solid building wire ends at 4 AWG, 5.19 mm (ASTM B258); the thinnest common tube
is 1/4 in, 6.35 mm, by ASTM B280, or 6 mm by EN 1057. Half way by ratio."""

WIRE_TUBE_SOFTNESS_MM = 0.25
"""A piece 0.75 mm from the border is told with 95 %."""

STRANDED_SHARE = 0.25
"""Share of stranded pieces among long ones before any look. Assumed; no source."""

WIDEST_CABLE_MM = 25.0
"""Bare cable is seldom wider: 1000 kcmil, the largest common building cable, is 29 mm
(ASTM B8, from memory); half as likely from here on."""

HEAP_HOLES = 0.15
"""Share of holes from which a mask is a coil or a tangle. Of 37 looks at rendered coils
and tangles 20 show more than 0.2 and 16 less than 0.15; no other piece but a wire crossing
itself shows more than 0.07."""

HEAP_BANDS = 0.5
"""Share of structure across the piece from which it is a close-wound coil: 0.53 to 0.68
on the rendered ones, under 0.45 on all else."""

HEAP_WIRE_P = 0.7
"""A coil or a tangle is mostly solid wire; fine cable and tube are coiled too. Assumed."""

SHEET_FILL = 0.72
"""A flat offcut fills most of its own tightest rectangle; fittings and coils don't."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """Plain geometry of a region, in photo pixels.

    Attributes:
        width_px: Mean width of the limb: twice the area over the outline's length.
        length_px: Half the outline's length, holes included.
        widest_px: Diameter of the largest disc that fits inside.
        fill: Area over that of the tightest rectangle around it.
        hole_share: Area of the holes over that inside the outer outline.
        holes: How many holes of at least 0.5 % of that area.
        solidity: Area inside the outer outline over that of its convex hull.
    """

    width_px: float
    length_px: float
    widest_px: float
    fill: float
    hole_share: float = 0.0
    holes: int = 0
    solidity: float = 1.0

    @property
    def elongation(self) -> float:
        """Length over width."""
        return self.length_px / max(self.width_px, 1e-6)


def shape_of(region: Region) -> Shape:
    """Return the plain geometry of a region's mask."""
    mask: Mask = np.pad(region.mask, 2).astype(np.uint8)
    step = max(1.0, max(mask.shape) / 1200)
    if step > 1:
        mask = cv2.resize(mask, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_NEAREST)
    # Smooth away the stairs of the mask: they would lengthen the outline by up to 40 %.
    smooth = (cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 1.2) > 0.5).astype(np.uint8)
    if not smooth.any():
        smooth = mask
    contours, tree = cv2.findContours(smooth, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_TC89_KCOS)
    perimeter = sum(cv2.arcLength(c, closed=True) for c in contours) or 1.0
    area = float(smooth.sum())
    distance = cv2.distanceTransform(smooth, cv2.DIST_L2, 5)
    outer = max(range(len(contours)), key=lambda k: cv2.contourArea(contours[k]))
    largest = contours[outer]
    inside = max(cv2.contourArea(largest), 1.0)
    holes = [
        cv2.contourArea(contour)
        for contour, (_, _, _, parent) in zip(contours, tree[0], strict=True)
        if parent == outer
    ]
    hull = max(cv2.contourArea(cv2.convexHull(largest)), 1.0)
    (_, (w, h), _) = cv2.minAreaRect(largest)
    # A rectangle w x l has outline 2 (w + l): solve for both from area and outline.
    half = perimeter / 2
    root = max(half * half - 4 * area, 0.0) ** 0.5
    width, length = (half - root) / 2, (half + root) / 2
    return Shape(
        width_px=width * step,
        length_px=length * step,
        widest_px=2 * float(distance.max()) * step,
        fill=area / max(w * h, 1.0),
        hole_share=sum(holes) / inside,
        holes=sum(hole > 0.005 * inside for hole in holes),
        solidity=min(1.0, inside / hull),
    )


def _logistic(x: float) -> float:
    return 1 / (1 + exp(-max(-40.0, min(40.0, x))))


def _stranded_p(width_mm: float | None, groove_p: float | None) -> float:
    """Bayes: how common strands are, times how much likelier they make the look."""
    prior = STRANDED_SHARE
    if width_mm is not None:
        prior *= _logistic((WIDEST_CABLE_MM - width_mm) / 2.0)
    look = 0.5 if groove_p is None else min(max(groove_p, 1e-3), 1 - 1e-3)
    odds = prior / (1 - prior) * look / (1 - look)
    return odds / (1 + odds)


def heap_p(shape: Shape, *, banded: float = 0.0) -> float:
    """Return the probability that many turns of wire lie in one mask: a coil, a tangle.

    Args:
        shape: Geometry of the piece.
        banded: Share of its surface's structure that runs across it
            (:attr:`vision.strands.StrandReading.banded`).
    """
    by_holes = _logistic((shape.hole_share - HEAP_HOLES) / 0.03)
    by_bands = _logistic((banded - HEAP_BANDS) / 0.03)
    return max(by_holes, by_bands)


def heap_form() -> FormFinding:
    """Return the form of a coil or a tangle: wire, with little certainty."""
    rest = (1 - HEAP_WIRE_P) / 3
    return FormFinding(
        p={
            Form.WIRE: HEAP_WIRE_P,
            Form.STRANDED: rest,
            Form.TUBE: rest,
            Form.SHEET: 0.0,
            Form.OTHER: rest,
        }
    )


def judge_form(
    shape: Shape, *, width_mm: float | None, groove_p: float | None = None
) -> FormFinding:
    """Return the probability of each form.

    Args:
        shape: Geometry of the piece.
        width_mm: Measured outer width; None where there is no scale.
        groove_p: Probability that the surface shows the grooves of twisted or
            bunched strands, for a toss-up before; None where nobody looked.
    """
    long_p = _logistic(2.0 * (shape.elongation - LONG_RATIO))
    # A fan of strands or a bend is wider than the limb, but a disc or a lump is all width.
    if shape.elongation < LONG_RATIO and shape.widest_px < 0.6 * shape.length_px:
        long_p = max(long_p, 0.3)
    stranded_p = _stranded_p(width_mm, groove_p)
    if width_mm is None:
        tube_p = 0.4
    else:
        tube_p = _logistic((width_mm - WIRE_TUBE_MM) / WIRE_TUBE_SOFTNESS_MM)
    sheet_p = _logistic(12 * (shape.fill - SHEET_FILL))
    if width_mm is not None and width_mm < WIRE_TUBE_MM:
        sheet_p *= 0.2
    p = {
        Form.STRANDED: long_p * stranded_p,
        Form.TUBE: long_p * (1 - stranded_p) * tube_p,
        Form.WIRE: long_p * (1 - stranded_p) * (1 - tube_p),
        Form.SHEET: (1 - long_p) * sheet_p,
        Form.OTHER: (1 - long_p) * (1 - sheet_p),
    }
    total = sum(p.values())
    return FormFinding(p={form: value / total for form, value in p.items()})
