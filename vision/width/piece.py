"""What form has one piece, how thick is it, and how thick is one strand of it?

The measurements of this room and the form (:mod:`vision.pieces.form`) need each other: a
width helps to tell the form, and the form says which widths mean anything.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from rules.errors import PhotoError
from rules.findings import Form, FormFinding, Measurement
from vision.finish.surface import cover, mean_p
from vision.pieces.centreline import centre_line
from vision.pieces.form import (
    COATED_SHEET,
    UNLIKE_SHEET,
    Shape,
    flat_or_wound,
    is_heap,
    judge_form,
    shape_of,
)
from vision.pieces.form_together import together
from vision.problems import as_problem, problem_of
from vision.types import FloatArray, Photo, Problem, Region, Scale, Surface, SurfaceMap
from vision.width.diameter import DiameterReading, measure_diameter
from vision.width.strand.strands import (
    along_axis,
    look_at_strip,
    not_resolved,
    straightened,
    strand_of,
)
from vision.width.strand.strip_look import StripLook

MOST_STRANDED_P = 0.1
"""A wire likelier than this to be a bundle has no strand diameter: the bundle's must never
be taken for it. The grade still counts both (:mod:`rules.draws`)."""

TURNS_FROM_PX = 12.0
"""Measured width below which a look can't tell turns from one wire: of 13 lone pieces of 8 to
12 px on rendered photos four were taken for coils, of 507 wider ones five."""

THICKEST_WIRE_MM = 6.0
"""Bare solid wire ends at 4 AWG, 5.19 mm (ASTM B258). Of 94 bare finds on 342 rendered photos that
were told as wire with a thickness six were thicker than this, 6.8 to 14.8 mm: five coils and two
wires side by side. The others have 5.1 mm at most."""

MOST_JACKET = 0.5
"""With more plastic on it what is thick is the jacket."""

ROUGH_U_REL = 0.1
"""Relative standard uncertainty of a width by the outline alone, to tell the form by."""

OUTLINE_SLACK_PX = 1.5
MOST_OVER_OUTLINE, OUTLINE_OVER_LEAST = 1.15, 2.0
"""How far a width that could not be measured may lie from its outline's mean one, after this slack.
Of 18 finds of lone wires without a width that overlap theirs by 0.6 and more, on 104 rendered
photos, 17 lie within, at 0.65 to 1.27 of the outline's width; no strand of 38 finds is thicker than
0.38 of it."""

MANY_OVER_ONE = 20.0
"""Of what may be many turns or pieces one is this many times thinner at most. Chosen: of
eleven coils and tangles on those photos the wire is a 4th to a 15th of the outline."""

NO_WORD = FormFinding(p={form: 1 / len(Form) for form in Form})
"""What the outline of many turns or pieces says of their form."""

NO_LINES: FloatArray = np.zeros((0, 2, 2))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Widths:
    """Form and widths of one piece, with where they come from and what stood in the way.

    Attributes:
        form: What kind of thing it is.
        diameter: Outer diameter, mm; None where the photo can't tell.
        strand_diameter: Of one strand, mm; None where the photo can't tell.
        lines_px: ``(n, 2, 2)`` ends of the widths that were used, photo pixels.
        problems: What stood in the way, and what to do.
        notes: What a person should know of how it was measured.
        between_mm: Where no width could be measured, what the outline says of it, mm.
        many_turns: Whether many turns or pieces lie in one outline, so that no width is its own.
    """

    form: FormFinding
    diameter: Measurement | None = None
    strand_diameter: Measurement | None = None
    lines_px: FloatArray = field(default_factory=lambda: NO_LINES)
    problems: tuple[Problem, ...] = ()
    notes: tuple[str, ...] = ()
    between_mm: tuple[float, float] | None = None
    many_turns: bool = False


def widths_of(
    photo: Photo,
    region: Region,
    scale: Scale | None,
    stated: Form | None,
    detail: Callable[[], SurfaceMap],
    *,
    cut_end: bool,
    bunch: bool = False,
    by_surface: Callable[[], FormFinding | None] = lambda: None,
) -> Widths:
    """Return form and widths of one piece.

    Args:
        photo: The photo.
        region: The piece.
        scale: How big a pixel is; None gives the form alone.
        stated: The form that the person stated.
        detail: Waits for the network's map over the piece, which the form may need.
        cut_end: Whether the photo looks straight onto a cut end.
        bunch: Whether it is several pieces that could not be parted.
        by_surface: Waits for the form as the piece's surface tells it.
    """
    if cut_end:
        return _at_cut_end(photo, region, scale)
    shape = shape_of(region)
    line = centre_line(region.mask, offset_px=region.box_px[:2])
    reading: DiameterReading | None = None
    if scale is not None and stated is not Form.SHEET:
        reading = measure_diameter(photo, region, scale, line)
    diameter = reading.diameter if reading is not None else None
    seen_px = reading.width_px if reading is not None else None
    strip = straightened(photo, region, width_px=seen_px, line=line)
    look = look_at_strip(photo, strip or along_axis(photo, region))
    thin = reading is not None and reading.width_px < TURNS_FROM_PX
    heap = bunch or is_heap(shape, look=None if thin else look)
    if heap and stated in (None, Form.WIRE):
        # What the edges gave is the width of many turns, or of one among them: never the wire's.
        # Nor does the outline tell its form: of 39 such finds on rendered photos the surface alone
        # named 28, the guess of a coil of wire, weighed together as elsewhere, 24.
        return Widths(
            form=together(NO_WORD, by_surface()) if stated is None else FormFinding.of(stated),
            problems=(
                problem_of("pieces_side_by_side") if bunch else problem_of("coil_or_tangle"),
            ),
            between_mm=_between_mm(shape, scale, many=True),
            many_turns=True,
        )
    if stated is not None:
        form = FormFinding.of(stated)
    else:
        seen = _surface_shares(region, detail())
        form = judge_form(
            shape,
            width_mm=diameter.value if diameter is not None else _rough_mm(shape.width_px, scale),
            u_width_rel=diameter.u / diameter.value if diameter is not None else ROUGH_U_REL,
            photo_px=max(photo.width_px, photo.height_px),
            groove_p=look.groove_p if strip is not None else None,
            brass_share=seen[Surface.BRASS],
            other_p=look.of("other"),
        )
        if form.value is Form.SHEET and _is_coated(seen):
            return Widths(form=flat_or_wound(form), problems=(problem_of("flat_or_wound"),))
        form = together(form, by_surface())
    if (
        form.value is Form.WIRE
        and diameter is not None
        and diameter.value > THICKEST_WIRE_MM
        and _surface_shares(region, detail())[Surface.INSULATION] < MOST_JACKET
    ):
        why = problem_of("coil_or_tangle.thick", mm=diameter.value)
        between = _between_mm(shape, scale, many=True)
        return Widths(form=form, problems=(why,), between_mm=between, many_turns=True)
    if form.value in (Form.SHEET, Form.OTHER) and stated is None:
        # A lump has no diameter; what the edges gave is the width of some part of it.
        return Widths(form=form)
    strand = _strand_diameter(form, diameter, look if strip is not None else None)
    problems = reading.problems if reading is not None else ()
    if form.value is Form.STRANDED and strand is None and diameter is not None:
        problems += (not_resolved(diameter),)
    if form.value is Form.WIRE and diameter is not None and _may_be_stranded(form):
        problems += (problem_of("solid_or_strands"),)
    return Widths(
        form=form,
        diameter=diameter,
        strand_diameter=strand,
        lines_px=reading.lines_px if reading is not None else NO_LINES,
        problems=problems,
        between_mm=_between_mm(shape, scale, many=False) if diameter is None else None,
    )


def _may_be_stranded(form: FormFinding) -> bool:
    return form.p.get(Form.STRANDED, 0.0) > MOST_STRANDED_P


def _rough_mm(width_px: float, scale: Scale | None) -> float | None:
    return width_px * scale.mm_per_px if scale is not None else None


def _between_mm(shape: Shape, scale: Scale | None, *, many: bool) -> tuple[float, float] | None:
    if scale is None:
        return None
    width, slack = (px * scale.mm_per_px for px in (shape.width_px, OUTLINE_SLACK_PX))
    most = width * MOST_OVER_OUTLINE + slack
    if many:
        return most / MANY_OVER_ONE, most
    return max(width - slack, 0.0) / OUTLINE_OVER_LEAST, most


def _surface_shares(region: Region, detail: SurfaceMap) -> Mapping[Surface, float]:
    """Return how much of a piece shows each surface."""
    p = mean_p(detail, cover(detail, region.mask, box_px=region.box_px))
    return dict(zip(Surface, p.tolist(), strict=True))


def _is_coated(shares: Mapping[Surface, float]) -> bool:
    coated = shares[Surface.COATED]
    unlike = coated + shares[Surface.OTHER_METAL]
    return coated > COATED_SHEET and unlike > UNLIKE_SHEET


def _strand_diameter(
    form: FormFinding, diameter: Measurement | None, look: StripLook | None
) -> Measurement | None:
    if form.value is Form.WIRE:
        return None if _may_be_stranded(form) else diameter
    if form.value is not Form.STRANDED or diameter is None or look is None:
        return None
    return strand_of(look, diameter)


def _at_cut_end(photo: Photo, region: Region, scale: Scale | None) -> Widths:
    from vision.width.strand.cut_end import measure_cut_end

    form = FormFinding.of(Form.STRANDED)
    if scale is None:
        return Widths(form=form)
    try:
        strand, ends = measure_cut_end(photo, region, scale)
    except PhotoError as fault:
        problem = as_problem(fault)
        return Widths(form=form, problems=(problem,))
    if ends.count == 1:
        form = FormFinding.of(Form.WIRE)
    half = ends.diameters_px[:, None] / 2 * np.array([[1.0, 0.0]])
    lines = np.stack([ends.centres_px - half, ends.centres_px + half], axis=1)
    return Widths(
        form=form,
        diameter=strand if ends.count == 1 else None,
        strand_diameter=strand,
        lines_px=lines,
        notes=(f"{ends.count} strand ends seen",),
    )
