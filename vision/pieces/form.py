"""What kind of thing is the piece: wire, stranded cable, tube, sheet, or other?

Shape and what a network sees along the piece (:mod:`vision.width.strand.strip_look`) tell drawn
stock from flat stock and from fittings; thickness tells wire from tube, because the trade's
solid wire ends where its tube begins; grooves tell a bundle of strands from both. Without a
scale the thickness is guessed from how a phone is held, and the doubt of that is summed over.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import exp, log

import cv2
import numpy as np

from models.loader import broken, described
from rules.findings import Form, FormFinding
from vision.types import FloatArray, Mask, Region
from vision.width.strand.strip_look import StripLook

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

COATED_SHEET, UNLIKE_SHEET = 0.2, 0.5
"""A sheet with more of it coated, and more of it coated or of another metal, than this may as
well be a coil of enamelled wire with its former, whose turns are too fine to be seen: of 13
sheets seen on 160 rendered photos two had more, both coils; the other coil, of which hardly more
than the former is in view, stays undetected, and the ten true sheets had 0.18 at most."""

WOUND_P = 0.6
"""How likely it then is one: sheet is painted too. An estimate."""

HEAP_P = 0.5
"""A look at least so likely to show several turns makes a heap. Of 710 finds on rendered photos 31
of 45 coils have it, or holes, and nine of 540 others; the likeliest look, however unlikely, named
no more coils, and 14 others."""

ODDS = "form_odds"
"""Constants of :func:`kind_p`, ``models/form_odds.toml``; fitted by
``models.recipe.fits.form_odds``."""

KINDS = ("round", "sheet", "other")

NUMBERS = (
    "log_width",
    "log_elongation",
    "fill",
    "brass",
    "look_other",
)
"""What :func:`kind_numbers` returns, in order."""

OTHER_FLOOR = 0.02
"""No look is surer than 50 to 1."""

FIELD_MM = 280.0
"""Long side of what the photo shows, where no scale tells: a phone's main camera at 15 to
30 cm, as people are asked to hold it, sees 200 to 430 mm; rendered photos 200 to 380."""

U_FIELD_LOG = 0.35
"""Standard uncertainty of its logarithm."""

U_WIDTH_LOG = 0.02
"""The least doubt of a width, of whatever origin."""

WIDTH_STEPS = np.linspace(-2.0, 2.0, 9)
"""Where the width's doubt is summed over, in its standard uncertainties."""

SQUAT_ELONGATION = 1.4
SQUAT_SOFTNESS = 0.1
"""The shortest of 70 rendered tubes is 1.9 times as long as wide; a disc is 1.0."""

SHEET_FILL = 0.72
"""A flat offcut fills most of its own tightest rectangle; fittings and coils don't."""

TUBE_RANGE = (0.03, 0.99)
"""No width alone is surer: capillary tube of 2 to 4 mm is seen, solid rod over 6 mm too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """Plain geometry of a region, in photo pixels.

    Attributes:
        width_px: Mean width of the limb: twice the area over the outline's length.
        length_px: Half the outline's length, holes included.
        fill: Area over that of the tightest rectangle around it.
        hole_share: Area of the holes over that inside the outer outline.
    """

    width_px: float
    length_px: float
    fill: float
    hole_share: float = 0.0

    @property
    def elongation(self) -> float:
        """Length over width."""
        return self.length_px / max(self.width_px, 1e-6)


def shape_of(region: Region) -> Shape:
    """Return the plain geometry of a region's mask.

    >>> bar = Region(box_px=(0, 0, 400, 20), mask=np.ones((20, 400), bool),
    ...              outline_px=np.zeros((0, 2)), score=1.0)
    >>> shape = shape_of(bar)
    >>> f"{shape.length_px:.0f} px long, {shape.width_px:.0f} wide"
    '396 px long, 20 wide'
    """
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
    outer = max(range(len(contours)), key=lambda k: cv2.contourArea(contours[k]))
    largest = contours[outer]
    inside = max(cv2.contourArea(largest), 1.0)
    holes = sum(
        cv2.contourArea(contour)
        for contour, (_, _, _, parent) in zip(contours, tree[0], strict=True)
        if parent == outer
    )
    (_, (w, h), _) = cv2.minAreaRect(largest)
    # A rectangle w x l has outline 2 (w + l): solve for both from area and outline.
    half = perimeter / 2
    root = max(half * half - 4 * area, 0.0) ** 0.5
    width, length = (half - root) / 2, (half + root) / 2
    return Shape(
        width_px=width * step,
        length_px=length * step,
        fill=area / max(w * h, 1.0),
        hole_share=holes / inside,
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


def is_heap(shape: Shape, *, look: StripLook | None) -> bool:
    """Return whether many turns of wire lie in one mask: a coil, a tangle.

    Its holes tell, or its look. A coil taken for one thick wire is off by the number of its
    turns, a wire taken for a coil gets no width.

    Args:
        shape: Geometry of the piece.
        look: What the network sees on it, all looks equally likely before; None where it is
            too thin in the photo to look at.
    """
    by_look = look is not None and look.of("wound") >= HEAP_P
    return by_look or shape.hole_share > HEAP_HOLES


def flat_or_wound(form: FormFinding) -> FormFinding:
    """Return the form of what looks flat and coated: sheet, or a coil of enamelled wire."""
    moved = WOUND_P * form.p.get(Form.SHEET, 0.0)
    p = dict(form.p)
    p[Form.SHEET] = p.get(Form.SHEET, 0.0) - moved
    p[Form.WIRE] = p.get(Form.WIRE, 0.0) + moved
    return FormFinding(p=p)


def judge_form(
    shape: Shape,
    *,
    width_mm: float | None,
    u_width_rel: float = 0.0,
    photo_px: int,
    groove_p: float | None = None,
    brass_share: float = 0.0,
    other_p: float,
) -> FormFinding:
    """Return the probability of each form.

    Args:
        shape: Geometry of the piece.
        width_mm: Measured outer width; None where there is no scale.
        u_width_rel: Its relative standard uncertainty.
        photo_px: Long side of the photo; without a scale it still tells a tube from a
            wire by how much of the picture the piece fills.
        groove_p: Probability that the surface shows the grooves of twisted or
            bunched strands, for a toss-up before; None where nobody looked.
        brass_share: Share of the piece that looks like brass.
        other_p: How likely the network takes it for neither wire nor tube, all looks equally
            likely before (:mod:`vision.width.strand.strip_look`).
    """
    u_log = max(u_width_rel, U_WIDTH_LOG)
    if width_mm is None:
        width_mm = shape.width_px * FIELD_MM / photo_px
        u_log = U_FIELD_LOG
    weights = np.exp(-0.5 * WIDTH_STEPS**2)
    total = dict.fromkeys(Form, 0.0)
    for step, weight in zip(WIDTH_STEPS, weights / weights.sum(), strict=True):
        width = width_mm * exp(u_log * step)
        for form, p in _form_p(shape, width, groove_p, brass_share, other_p).items():
            total[form] += float(weight) * p
    return FormFinding(p=total)


def _form_p(
    shape: Shape,
    width_mm: float,
    groove_p: float | None,
    brass_share: float,
    other_p: float,
) -> dict[Form, float]:
    """Return the probabilities if the width were just this."""
    numbers = kind_numbers(shape, width_mm=width_mm, brass_share=brass_share, other_p=other_p)
    is_round, sheet, other = (float(p) for p in kind_p(numbers))
    # No length of tube or wire is as wide as it is long; a plate fills its rectangle.
    squat = is_round * _logistic((SQUAT_ELONGATION - shape.elongation) / SQUAT_SOFTNESS)
    flat = _logistic(12 * (shape.fill - SHEET_FILL))
    is_round, sheet, other = is_round - squat, sheet + flat * squat, other + (1 - flat) * squat
    stranded = _stranded_p(width_mm, groove_p)
    tube = _tube_p(width_mm)
    return {
        Form.STRANDED: is_round * stranded,
        Form.TUBE: is_round * (1 - stranded) * tube,
        Form.WIRE: is_round * (1 - stranded) * (1 - tube),
        Form.SHEET: sheet,
        Form.OTHER: other,
    }


def _tube_p(width_mm: float) -> float:
    low, high = TUBE_RANGE
    return low + (high - low) * _logistic((width_mm - WIRE_TUBE_MM) / WIRE_TUBE_SOFTNESS_MM)


def kind_numbers(
    shape: Shape, *, width_mm: float, brass_share: float, other_p: float
) -> FloatArray:
    """Return the ``(len(NUMBERS),)`` numbers that tell round from flat from odd.

    Args:
        shape: Geometry of the piece.
        width_mm: Outer width.
        brass_share: See :func:`judge_form`.
        other_p: See :func:`judge_form`.
    """
    return np.array(
        [
            np.clip(log(max(width_mm, 1e-3) / 10), -2.5, 1.5),
            np.clip(log(max(shape.elongation, 1e-3)), 0.0, 4.0),
            min(shape.fill, 1.0),
            brass_share,
            log((other_p + OTHER_FLOOR) / (1 - other_p + OTHER_FLOOR)),
        ]
    )


def kind_p(numbers: FloatArray) -> FloatArray:
    """Return ``(len(KINDS),)`` probabilities: drawn stock, flat stock, or another thing.

    A logistic regression on rendered photos (``models.recipe.fits.form_odds``).
    """
    mean, scale, weights, bias = _constants()
    z = np.clip((numbers - mean) / scale, -4, 4) @ weights + bias
    p = np.exp(z - z.max())
    result: FloatArray = p / p.sum()
    return result


@cache
def _constants() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    told = described(ODDS)
    if tuple(told["names"]) != NUMBERS or tuple(told["kinds"]) != KINDS:
        broken(f"{ODDS}.toml", "was fitted for other numbers than these")
    mean, scale, weights, bias = (
        np.array(told[name], np.float64) for name in ("mean", "scale", "weights", "bias")
    )
    return mean, scale, weights, bias
