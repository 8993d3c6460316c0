"""From a photo to findings: the steps in order, and what each could not do.

A step that fails says so as a :class:`vision.types.Problem`; the steps that don't
depend on it still run. Without a reference there are no millimetres, but finish,
flags and form still come.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from rules.errors import ContractError, PhotoError
from rules.findings import Facts, Findings, Form, FormFinding, Measurement
from vision.finish.judging import FinishReading, judge_finish
from vision.finish.surface import (
    STRIDE_PX,
    SurfaceModel,
    cover,
    load_surface_model,
    mean_p,
    model_fault,
    plan_view,
    surface_map,
)
from vision.photo.beside import beside, has_second_core
from vision.photo.quality import judge_quality
from vision.photo.white import WhiteEstimate, estimate_white
from vision.pieces.centreline import CentreLine, centre_line
from vision.pieces.finding import Sketch, find_pieces, is_bunch, pieces_on, sketch_pieces
from vision.pieces.form import (
    COATED_SHEET,
    UNLIKE_SHEET,
    flat_or_wound,
    heap_form,
    heap_p,
    judge_form,
    shape_of,
)
from vision.pieces.roundness import as_rectangle, shading
from vision.reference.places import Place, reference_places
from vision.reference.scale import detect_scale
from vision.types import (
    Examination,
    FloatArray,
    Photo,
    PieceReading,
    Problem,
    Region,
    Scale,
    Surface,
    SurfaceMap,
)
from vision.width.diameter import DiameterReading, measure_diameter
from vision.width.fanned import FanReading, fanned_form, is_uneven, joined, strands_of_fan
from vision.width.strands import (
    StraightStrip,
    StrandReading,
    along_axis,
    look_at_strip,
    not_resolved,
    read_strands,
    straightened,
)
from vision.width.strip_look import StripLook, load_strip_model, strip_fault

CUT_END = "cut_end"
"""Stated form of a photo that looks straight onto the cut end of a cable."""

MOST_STRANDED_P = 0.1
"""A wire likelier than this to be a bundle has no strand diameter: the bundle's must never
be taken for it. The grade still counts both (:mod:`rules.draws`)."""

ROUGH_U_REL = 0.1
"""Relative standard uncertainty of a width by the outline alone, to tell the form by."""

NO_LINES: FloatArray = np.zeros((0, 2, 2))

MAX_PIECES = 24
"""More than this on one photo is a heap, or a table taken for pieces."""


MAX_LOOKS = 6
"""So many pieces get a closer look, the largest first; 65 ms each on two cores."""

CLOSER = 1.3
"""A closer look must show a piece so much larger than the overview does."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Widths:
    """Form and widths of one piece, with where they come from and what stood in the way."""

    form: FormFinding
    diameter: Measurement | None = None
    strand_diameter: Measurement | None = None
    lines_px: FloatArray = field(default_factory=lambda: np.zeros((0, 2, 2)))
    problems: tuple[Problem, ...] = ()
    notes: tuple[str, ...] = ()


def examine(
    photo: Photo,
    *,
    reference: str = "auto",
    form: str | None = None,
    facts: Facts | None = None,
    print_scale: float = 1.0,
    scale: Scale | None = None,
    at: tuple[float, float] | None = None,
) -> Examination:
    """Return what can be told from one photo.

    Args:
        photo: The decoded photo.
        reference: Key of the reference object, or ``auto``.
        form: Form the person states (a :class:`rules.findings.Form` value or
            ``cut_end``), None to let the photo tell.
        facts: What else the person states; handed on with each piece.
        print_scale: Measured over nominal length of the printed sheet's check bar;
            anything but 1 counts as measured.
        scale: The scale where the person gave it (:mod:`vision.reference.taps`); no reference is
            looked for then.
        at: A point on the only piece wanted, in photo pixels; None for every piece.

    Raises:
        ContractError: ``form`` is not one of the known words.
    """
    stated = _stated_form(form)
    problems: list[Problem] = []
    model = load_surface_model()
    # First as the camera saw it: where the reference lies is what this look is to tell.
    overview = None if model is None else surface_map(photo, model=model)
    with beside() as lane:
        sketch = _sketch(photo, overview, lane) if scale is None and at is None else None
        if scale is None:
            places = () if overview is None else reference_places(overview)
            scale = _scale(photo, reference, problems, print_scale=print_scale, places=places)
        regions = _regions(photo, overview, scale, at, problems, sketch)
    if not regions and at is None:
        problems.append(
            Problem(
                code="no_piece",
                text="No piece of metal stands out from the table.",
                fix="Lay the piece on plain white paper, fill a third of the photo with it, "
                "and keep its shadow short.",
            )
        )
    judge = partial(judge_quality, photo, region=regions[0] if regions else None, scale=scale)
    with beside() as lane:
        # What is seen on the pieces needs nothing of how wide they are, and takes as long.
        white = lane.submit(estimate_white, photo, scale)
        looks = _looks(photo, regions[:MAX_PIECES], model, overview, scale, white, lane)
        quality = lane.submit(judge)
        measured = [
            _widths(
                photo,
                region,
                scale,
                stated,
                look.detail.result,
                cut_end=form == CUT_END,
                bunch=at is None and _is_several(region, overview),
            )
            for region, look in zip(regions[:MAX_PIECES], looks, strict=True)
        ]
        if quality.cancel():  # not begun: nobody has to wait for the lane
            _, gates = judge()
        else:
            _, gates = quality.result()
        pieces = [
            _reading(region, widths, look.finish.result(), facts or Facts())
            for region, widths, look in zip(regions[:MAX_PIECES], measured, looks, strict=True)
        ]
    problems += _by_piece([widths.problems for widths in measured])
    problems.extend(gates)
    return Examination(
        photo=_with_note(_with_note(photo, model_fault()), strip_fault()),
        scale=scale,
        pieces=tuple(pieces),
        problems=tuple(_once(problems)),
    )


def _is_several(region: Region, overview: SurfaceMap | None) -> bool:
    return region.several or (overview is not None and is_bunch(overview, region))


def _stated_form(form: str | None) -> Form | None:
    if form is None:
        return None
    if form == CUT_END:
        return Form.STRANDED
    try:
        return Form(form)
    except ValueError:
        known = ", ".join([*Form, CUT_END])
        raise ContractError(f"{form!r} is not a form; known are {known}", where="form") from None


def _scale(
    photo: Photo,
    reference: str,
    problems: list[Problem],
    *,
    print_scale: float,
    places: Sequence[Place],
) -> Scale | None:
    try:
        return detect_scale(photo, reference, print_scale=print_scale, places=places)
    except PhotoError as fault:
        problems.append(Problem(code=fault.code, text=fault.message, fix=fault.fix))
        return None


def _regions(
    photo: Photo,
    overview: SurfaceMap | None,
    scale: Scale | None,
    at: tuple[float, float] | None,
    problems: list[Problem],
    sketch: Future[Sketch] | None,
) -> tuple[Region, ...]:
    outlines: Sequence[FloatArray] = scale.outlines_px if scale is not None else ()
    if at is not None:
        from vision.reference.taps import region_at

        try:
            return (region_at(photo, at, reference_outlines_px=outlines, overview=overview),)
        except PhotoError as fault:
            problems.append(Problem(code=fault.code, text=fault.message, fix=fault.fix))
            return ()
    if overview is None:
        return find_pieces(photo, reference_outlines_px=outlines)
    early = sketch.result() if sketch is not None else None
    return pieces_on(photo, overview, reference_outlines_px=outlines, sketch=early)


def _sketch(photo: Photo, overview: SurfaceMap | None, lane: Executor) -> Future[Sketch] | None:
    """Begin to draw the pieces while the reference is still looked for.

    Mostly it lies on none of them, and then they need not be drawn again.
    """
    if overview is None or not has_second_core():
        return None
    return lane.submit(sketch_pieces, photo, overview)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Look:
    """What is seen on one piece, still being looked at: the network's map, and its finish."""

    detail: Future[SurfaceMap | None]
    finish: Future[FinishReading]


def _looks(
    photo: Photo,
    regions: Sequence[Region],
    model: SurfaceModel | None,
    overview: SurfaceMap | None,
    scale: Scale | None,
    white: Future[WhiteEstimate],
    lane: Executor,
) -> list[_Look]:
    """Hand the lane a look at each piece, closer than the overview where that shows more."""
    known_white = scale.white if scale is not None else None
    closer = 0

    def detail_of(region: Region, *, is_closer: bool) -> SurfaceMap | None:
        if model is None or not is_closer:
            return overview
        return surface_map(photo, model=model, box=region.box_px, white=known_white)

    def finish_of(region: Region, detail: Future[SurfaceMap | None]) -> FinishReading:
        return judge_finish(photo, region, white=white.result(), surface=detail.result())

    looks = []
    for region in regions:
        is_closer = closer < MAX_LOOKS and _shows_more(photo, region, overview, known_white)
        closer += is_closer
        detail = lane.submit(detail_of, region, is_closer=is_closer)
        looks.append(_Look(detail=detail, finish=lane.submit(finish_of, region, detail)))
    return looks


def _shows_more(
    photo: Photo, region: Region, overview: SurfaceMap | None, white: FloatArray | None
) -> bool:
    if overview is None:
        return False
    if white is not None:
        return True  # the overview was taken as it came; a closer one takes out the light's colour
    view = plan_view(photo.width_px, photo.height_px, box=region.box_px)
    seen = STRIDE_PX * overview.tarnish_level.shape[1] / overview.box_px[2]
    return bool(view.width_px / view.box_px[2] >= CLOSER * seen)


def _widths(
    photo: Photo,
    region: Region,
    scale: Scale | None,
    stated: Form | None,
    detail: Callable[[], SurfaceMap | None],
    *,
    cut_end: bool,
    bunch: bool = False,
) -> _Widths:
    if cut_end:
        return _cut_end_widths(photo, region, scale)
    shape = shape_of(region)
    line = centre_line(region.mask, offset_px=region.box_px[:2])
    reading: DiameterReading | None = None
    if scale is not None and stated is not Form.SHEET:
        reading = measure_diameter(photo, region, scale, form=stated or Form.WIRE, line=line)
    diameter = reading.diameter if reading is not None else None
    seen_px = reading.width_px if reading is not None else None
    strip = straightened(photo, region, width_px=seen_px, line=line)
    look, strands = _look_along(photo, region, strip), None
    if strip is not None:
        strands = read_strands(
            strip.light,
            width_px=strip.width_px,
            bundle=diameter,
            step_px=strip.step_px,
            look=look,
        )
    banded = strands.banded if strands is not None else 0.0
    by_look = heap_p(shape, banded=banded, look=look, is_long=strip is not None)
    wound = reading is not None and any(map(_is_wound, reading.problems))
    fan = _fan(photo, region, scale, line) if stated in (None, Form.STRANDED) else None
    sure_fan = fan is not None and fan.is_sure
    heap = not sure_fan and (wound or bunch or by_look > 0.5)
    if heap and stated in (None, Form.WIRE):
        # What the edges gave is the width of many turns, or of one among them: never the wire's.
        return _Widths(
            form=heap_form() if stated is None else FormFinding.of(stated),
            problems=(_side_by_side() if bunch else _heap(),),
        )
    if stated is not None:
        form = FormFinding.of(stated)
    elif sure_fan:
        form = fanned_form()
    else:
        light, width_px = (
            (strip.light, strip.width_px) if strip is not None else as_rectangle(photo, region)
        )
        seen = _surface_shares(region, detail())
        form = judge_form(
            shape,
            width_mm=diameter.value if diameter is not None else _rough_mm(shape.width_px, scale),
            u_width_rel=diameter.u / diameter.value if diameter is not None else ROUGH_U_REL,
            photo_px=max(photo.width_px, photo.height_px),
            groove_p=strands.groove_p if strands is not None else None,
            shading=shading(light, width_px=width_px),
            brass_share=seen.get(Surface.BRASS, 0.0),
            other_p=look.of("other") if look is not None else None,
        )
        if form.value is Form.SHEET and _is_coated(seen):
            return _Widths(form=flat_or_wound(form), problems=(_flat_or_wound(),))
    if form.value in (Form.SHEET, Form.OTHER) and stated is None:
        # A lump has no diameter; what the edges gave is the width of some part of it.
        return _Widths(form=form)
    strand, problems = _strand(form, diameter, strands, fan)
    lines_px = fan.lines_px if fan is not None and form.value is Form.STRANDED else NO_LINES
    if reading is not None:
        problems = (*(p for p in reading.problems if not (sure_fan and _is_wound(p))), *problems)
        lines_px = lines_px if len(lines_px) else reading.lines_px
    if form.value is Form.WIRE and diameter is not None and _may_be_stranded(form):
        problems += (_solid_or_strands(),)
    return _Widths(
        form=form,
        diameter=diameter,
        strand_diameter=strand,
        lines_px=lines_px,
        problems=problems,
    )


def _fan(
    photo: Photo, region: Region, scale: Scale | None, line: CentreLine | None
) -> FanReading | None:
    if scale is None or line is None or not is_uneven(line):
        return None
    return strands_of_fan(photo, region, scale)


def _is_wound(problem: Problem) -> bool:
    return problem.code == "piece_wound"


def _strand(
    form: FormFinding,
    diameter: Measurement | None,
    strands: StrandReading | None,
    fan: FanReading | None,
) -> tuple[Measurement | None, tuple[Problem, ...]]:
    """Return one strand's diameter by the bundle's look and a fanned end, and what is wrong."""
    strand = _strand_diameter(form, diameter, strands)
    if form.value is not Form.STRANDED:
        return strand, ()
    strand, problems = joined(strand, fan)
    if strand is None and diameter is not None and not problems:
        problems = (not_resolved(diameter),)
    return strand, problems


def _look_along(photo: Photo, region: Region, strip: StraightStrip | None) -> StripLook | None:
    model = load_strip_model()
    return None if model is None else look_at_strip(strip or along_axis(photo, region), model)


def _may_be_stranded(form: FormFinding) -> bool:
    return form.p.get(Form.STRANDED, 0.0) > MOST_STRANDED_P


def _solid_or_strands() -> Problem:
    return Problem(
        code="solid_or_strands",
        text="Solid wire and a bundle of fine strands look alike this small, so no strand "
        "thickness is given.",
        fix="Look at the cut end and say --form wire or --form stranded, or go closer.",
    )


def _heap() -> Problem:
    return Problem(
        code="coil_or_tangle",
        text="The piece is a coil or a tangle, so the wire's thickness can't be measured on it.",
        fix="Pull one end straight, lay it clear of the rest, and photograph that end.",
    )


def _flat_or_wound() -> Problem:
    return Problem(
        code="flat_or_wound",
        text="A coated sheet and a coil of fine enamelled wire look alike from here.",
        fix="Look whether wire comes off it, and say --form wire or --form sheet.",
    )


def _side_by_side() -> Problem:
    return Problem(
        code="pieces_side_by_side",
        text="Several pieces lie side by side here and can't be told apart, so no thickness "
        "is measured on them.",
        fix="Lay them a finger's breadth apart and take the photo again.",
    )


def _rough_mm(width_px: float, scale: Scale | None) -> float | None:
    return width_px * scale.mm_per_px if scale is not None else None


def _surface_shares(region: Region, detail: SurfaceMap | None) -> Mapping[Surface, float]:
    """Return how much of a piece shows each surface; nothing where nobody looked."""
    if detail is None:
        return {}
    p = mean_p(detail, cover(detail, region.mask, box_px=region.box_px))
    return dict(zip(Surface, p.tolist(), strict=True))


def _is_coated(shares: Mapping[Surface, float]) -> bool:
    coated = shares.get(Surface.COATED, 0.0)
    unlike = coated + shares.get(Surface.OTHER_METAL, 0.0)
    return coated > COATED_SHEET and unlike > UNLIKE_SHEET


def _strand_diameter(
    form: FormFinding, diameter: Measurement | None, strands: StrandReading | None
) -> Measurement | None:
    if form.value is Form.WIRE:
        return None if _may_be_stranded(form) else diameter
    if form.value is not Form.STRANDED or diameter is None:
        return None
    return strands.strand_diameter if strands is not None else None


def _cut_end_widths(photo: Photo, region: Region, scale: Scale | None) -> _Widths:
    from vision.width.cut_end import measure_cut_end

    form = FormFinding.of(Form.STRANDED)
    if scale is None:
        return _Widths(form=form)
    try:
        strand, ends = measure_cut_end(photo, region, scale)
    except PhotoError as fault:
        problem = Problem(code=fault.code, text=fault.message, fix=fault.fix)
        return _Widths(form=form, problems=(problem,))
    if ends.count == 1:
        form = FormFinding.of(Form.WIRE)
    half = ends.diameters_px[:, None] / 2 * np.array([[1.0, 0.0]])
    lines = np.stack([ends.centres_px - half, ends.centres_px + half], axis=1)
    return _Widths(
        form=form,
        diameter=strand if ends.count == 1 else None,
        strand_diameter=strand,
        lines_px=lines,
        notes=(f"{ends.count} strand ends seen",),
    )


def _reading(region: Region, widths: _Widths, seen: FinishReading, facts: Facts) -> PieceReading:
    return PieceReading(
        region=region,
        findings=Findings(
            form=widths.form,
            finish=seen.finish,
            brass=seen.brass,
            solder=seen.solder,
            diameter=widths.diameter,
            strand_diameter=widths.strand_diameter,
            facts=facts,
            other_metal=seen.other_metal,
        ),
        brass_boxes_px=seen.brass_boxes_px,
        solder_boxes_px=seen.solder_boxes_px,
        measured_lines_px=widths.lines_px,
        notes=widths.notes + tuple(seen.notes),
    )


def _with_note(photo: Photo, note: str | None) -> Photo:
    return photo if note is None else replace(photo, notes=(*photo.notes, note))


def _by_piece(problems: Sequence[tuple[Problem, ...]]) -> list[Problem]:
    """Say of which pieces each problem is, where there are several on the photo."""
    if len(problems) < 2:
        return [problem for own in problems for problem in own]
    numbers: dict[tuple[str, str], list[int]] = {}
    first: dict[tuple[str, str], Problem] = {}
    for number, own in enumerate(problems, start=1):
        for problem in own:
            key = problem.code, problem.fix
            numbers.setdefault(key, []).append(number)
            first.setdefault(key, problem)
    return [
        replace(problem, text=f"{_pieces_words(numbers[key])}: {problem.text}")
        for key, problem in first.items()
    ]


def _pieces_words(numbers: Sequence[int]) -> str:
    told = [str(number) for number in dict.fromkeys(numbers)]
    if len(told) == 1:
        return f"Piece {told[0]}"
    return f"Pieces {', '.join(told[:-1])} and {told[-1]}"


def _once(problems: Iterable[Problem]) -> list[Problem]:
    """Drop repeats: several pieces with one fault are one thing to mend."""
    kept: dict[tuple[str, str], Problem] = {}
    for problem in problems:
        kept.setdefault((problem.code, problem.fix), problem)
    return list(kept.values())
