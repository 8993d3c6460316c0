"""From a photo to findings: the steps in order, and what each could not do.

A step that fails says so as a :class:`vision.types.Problem`; the steps that don't
depend on it still run. Without a reference there are no millimetres, but finish,
flags and form still come.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import islice
from typing import TypedDict, Unpack

import cv2
import numpy as np

from rules.errors import ContractError, PhotoError
from rules.findings import CUT_END, Facts, Findings, Form, FormFinding
from vision.finish.judging import FinishReading, judge_finish
from vision.finish.surface import (
    STRIDE_PX,
    SurfaceModel,
    load_surface_model,
    plan_view,
    surface_map,
)
from vision.flash.recognise import LIT_P, lit_by_itself
from vision.photo.beside import beside
from vision.photo.quality import judge_quality
from vision.photo.white import White, white_of
from vision.pieces.closer import SEVERAL_P, CloserLook
from vision.pieces.finding import pieces_on
from vision.pieces.left_out import sort_out, taps_on_nothing
from vision.pieces.reading_order import reading_order
from vision.problems import TELL_WIDTH, as_problem, joined, problem_of, without_numbers
from vision.reference.places import Place, reference_places
from vision.reference.scale import detect_scale
from vision.types import (
    Box,
    Examination,
    FloatArray,
    LeftOut,
    Photo,
    PieceReading,
    Problem,
    Region,
    Scale,
    SurfaceMap,
)
from vision.width.piece import Widths, widths_of
from vision.width.pile import heights_mm, on_pile

MAX_PIECES = 30
"""More than this on one photo is a heap, or a table taken for pieces; the largest count."""

TURNS_OF_UNKNOWN_SIZE = 0.4
"""Familiarity of turns whose size nobody knows, under the limit of being sure: without a
reference a wheel, a bearing or a bundle of swabs looks like a coil. On 149 real photos without
one, 8 of 8 finds of turns that were decided as copper were such things; the head knows none of
them from wire. Who says where the piece is from answers for it."""

LIT_BY_FLASH = 0.4
"""Familiarity of what the flash lit, under the limit of being sure: its glare is not how metal
looks by daylight. A photo without the flash beside it is judged, and the two together."""

MAX_LOOKS = 6
"""So many pieces get a closer look, the largest first; 65 ms each on two cores."""

CLOSER = 1.3
"""A closer look must show a piece so much larger than the overview does."""


class Where(TypedDict, total=False):
    """Where to look on a photo and what gives its scale: what :func:`look_over` takes."""

    reference: str
    print_scale: float
    scale: Scale | None
    at: tuple[float, float] | None
    also: Sequence[tuple[float, float]]


def examine(
    photo: Photo, *, form: str | None = None, facts: Facts | None = None, **where: Unpack[Where]
) -> Examination:
    """Return what can be told from one photo.

    Args:
        photo: The decoded photo.
        form: Form the person states (a :class:`rules.findings.Form` value or
            ``cut_end``), None to let the photo tell.
        facts: What else the person states; handed on with each piece.
        where: As for :func:`look_over`.

    Raises:
        ContractError: ``form`` is not one of the known words.
        InstallError: A network is missing or damaged.
    """
    _stated_form(form)
    seen = look_over(photo, any_length=form == CUT_END, **where)
    return examine_seen(seen, form=form, facts=facts)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seen:
    """A photo looked over: where things lie on it, and nothing of what they are.

    Attributes:
        photo: The photo.
        overview: The surface network's look at all of it, as the camera saw it.
        scale: What lies beside the pieces; None where nothing of known size does.
        white: What shows the light's colour.
        regions: The pieces in reading order.
        left_out: What else lies there, seen to be no piece.
        flash_p: How likely the photo was lit by the phone's flash.
        problems: What stood in the way.
    """

    photo: Photo
    overview: SurfaceMap
    scale: Scale | None
    white: White
    regions: tuple[Region, ...]
    left_out: tuple[LeftOut, ...]
    flash_p: float
    problems: tuple[Problem, ...]


def look_over(
    photo: Photo,
    *,
    reference: str = "auto",
    print_scale: float = 1.0,
    scale: Scale | None = None,
    at: tuple[float, float] | None = None,
    also: Sequence[tuple[float, float]] = (),
    any_length: bool = False,
) -> Seen:
    """Return where on a photo what lies: the first half of :func:`examine`.

    Args:
        photo: The decoded photo.
        reference: Key of the reference object, or ``auto``.
        print_scale: Measured over nominal length of the printed sheet's check bar;
            anything but 1 counts as measured.
        scale: The scale where the person gave it (:mod:`vision.reference.two_points`); no
            reference is looked for then.
        at: A point on the only piece wanted, in photo pixels; None for every piece.
        also: Points on what was left out, in photo pixels, that are pieces all the same.
        any_length: Whether pieces count that are shorter than a piece mostly is, as cut ends are.

    Raises:
        InstallError: A network is missing or damaged.
    """
    problems: list[Problem] = []
    # First as the camera saw it: where the reference lies is what this look is to tell.
    overview = surface_map(photo, model=load_surface_model())
    draw = partial(pieces_on, photo, overview, closer=_closer_look(photo, overview))
    with beside() as lane:
        # Mostly the reference lies on no piece, so that they are drawn while it is looked for.
        early = lane.submit(draw) if at is None else None
        flash_p = lane.submit(lit_by_itself, photo)
        if scale is None:
            places = reference_places(overview)
            scale = _scale(photo, reference, problems, print_scale=print_scale, places=places)
        regions, left_out = _regions(
            photo, overview, scale, at, also, any_length, problems, draw, early
        )
    if not regions and at is None:
        problems.append(problem_of("no_piece"))
    return Seen(
        photo=photo,
        overview=overview,
        scale=scale,
        white=white_of(photo, overview, scale),
        regions=regions,
        left_out=left_out,
        flash_p=flash_p.result(),
        problems=tuple(problems),
    )


def examine_seen(seen: Seen, *, form: str | None = None, facts: Facts | None = None) -> Examination:
    """Return what can be told from a photo that was looked over: the second half."""
    stated = _stated_form(form)
    photo, scale, regions = seen.photo, seen.scale, seen.regions
    largest = max(regions, key=_area, default=None)
    judge = partial(judge_quality, photo, region=largest, scale=scale)
    with beside() as lane:
        # What is seen on the pieces needs nothing of how wide they are, and takes as long.
        looks = _looks(photo, regions, load_surface_model(), seen.overview, seen.white, lane)
        quality = lane.submit(judge)
        measured = [
            widths_of(
                photo,
                region,
                scale,
                stated,
                look.detail.result,
                cut_end=form == CUT_END,
                bunch=region.one_p < SEVERAL_P,
                by_surface=look.form,
            )
            for region, look in zip(regions, looks, strict=True)
        ]
        if scale is not None and len(regions) > 1:
            heights = heights_mm(regions, scale, size_px=(photo.width_px, photo.height_px))
            measured = [on_pile(w, h, scale) for w, h in zip(measured, heights, strict=True)]
        # Where the lane has not begun, nobody has to wait for it.
        gates = judge() if quality.cancel() else quality.result()
        pieces = [
            _reading(region, widths, look.finish.result(), facts or Facts(), seen)
            for region, widths, look in zip(regions, measured, looks, strict=True)
        ]
    lit = (problem_of("flash_lit"),) if seen.flash_p >= LIT_P and pieces else ()
    by_piece = [
        replace(problem, pieces=(number,)) if len(regions) > 1 else problem
        for number, widths in enumerate(measured, start=1)
        for problem in widths.problems
    ]
    told_px = any(r is largest and _tells_width(w) for r, w in zip(regions, measured, strict=True))
    gates = tuple(gate for gate in gates if not (told_px and gate.code == "too_far"))
    problems = (*seen.problems, *lit, *by_piece, *gates)
    return Examination(
        photo=replace(photo, notes=(*photo.notes, seen.white.note)) if pieces else photo,
        scale=scale,
        pieces=tuple(pieces),
        problems=tuple(_once(problems)),
        left_out=seen.left_out,
        flash_p=seen.flash_p,
    )


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
        problems.append(as_problem(fault))
        return None


def _closer_look(photo: Photo, overview: SurfaceMap) -> CloserLook:
    """Return what looks at a part of the photo where that shows more, once at each."""

    @cache
    def look(box_px: Box) -> SurfaceMap | None:
        if not _shows_more(photo, box_px, overview):
            return None
        return surface_map(photo, model=load_surface_model(), box=box_px)

    return look


def _regions(
    photo: Photo,
    overview: SurfaceMap,
    scale: Scale | None,
    at: tuple[float, float] | None,
    also: Sequence[tuple[float, float]],
    any_length: bool,
    problems: list[Problem],
    draw: Callable[..., tuple[Region, ...]],
    early: Future[tuple[Region, ...]] | None,
) -> tuple[tuple[Region, ...], tuple[LeftOut, ...]]:
    """Return the pieces in reading order, and what is none of them."""
    outlines: Sequence[FloatArray] = scale.outlines_px if scale is not None else ()
    if at is not None:
        from vision.pieces.tapped import region_at

        try:
            region = region_at(photo, at, reference_outlines_px=outlines, overview=overview)
        except PhotoError as fault:
            problems.append(as_problem(fault))
            return (), ()
        return (region,), ()
    drawn = early.result() if early is not None else None
    found = draw(reference_outlines_px=outlines, early=drawn)
    pieces, left_out = sort_out(photo, overview, found, scale, also=also, any_length=any_length)
    if taps_on_nothing(pieces, also, photo):
        told = "nothing that stands out from the table lies under the finger"
        problems.append(problem_of("nothing_there", told=told))
    order = reading_order([region.box_px for region in pieces[:MAX_PIECES]])
    return tuple(pieces[index] for index in order), tuple(left_out)


def _area(region: Region) -> int:
    return cv2.countNonZero(region.mask.view(np.uint8))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Look:
    """What is seen on one piece, still being looked at: the network's map, and its finish."""

    detail: Future[SurfaceMap]
    finish: Future[FinishReading]

    def form(self) -> FormFinding | None:
        """Wait for the form as the surface tells it."""
        return self.finish.result().form


def _looks(
    photo: Photo,
    regions: Sequence[Region],
    model: SurfaceModel,
    overview: SurfaceMap,
    white: White,
    lane: Executor,
) -> list[_Look]:
    """Hand the lane a look at each piece, closer than the overview where that shows more."""

    def detail_of(region: Region, *, is_closer: bool) -> SurfaceMap:
        if not is_closer:
            return overview
        near = white.near(region.box_px)
        return surface_map(photo, model=model, box=region.box_px, white=near)

    def finish_of(region: Region, detail: Future[SurfaceMap]) -> FinishReading:
        return judge_finish(photo, region, surface=detail.result(), model=model.piece)

    by_size = sorted(regions, key=_area, reverse=True)
    # The overview was taken as it came; a closer look takes out the light's colour as well.
    shown = (
        r
        for r in by_size
        if white.near(r.box_px) is not None or _shows_more(photo, r.box_px, overview)
    )
    near = set(islice(shown, MAX_LOOKS))
    looks = []
    for region in regions:
        detail = lane.submit(detail_of, region, is_closer=region in near)
        looks.append(_Look(detail=detail, finish=lane.submit(finish_of, region, detail)))
    return looks


def _shows_more(photo: Photo, box_px: Box, overview: SurfaceMap) -> bool:
    view = plan_view(photo.width_px, photo.height_px, box=box_px)
    seen = STRIDE_PX * overview.tarnish_level.shape[1] / overview.box_px[2]
    return bool(view.width_px / view.box_px[2] >= CLOSER * seen)


def _reading(
    region: Region, widths: Widths, finish: FinishReading, facts: Facts, seen: Seen
) -> PieceReading:
    known = finish.familiarity
    if seen.flash_p >= LIT_P:
        known = min(known, LIT_BY_FLASH)
    if seen.scale is None and facts.source is None and widths.many_turns:
        known = min(known, TURNS_OF_UNKNOWN_SIZE)
    return PieceReading(
        region=region,
        findings=Findings(
            form=widths.form,
            finish=finish.finish,
            diameter=widths.diameter,
            strand_diameter=widths.strand_diameter,
            facts=facts,
            familiarity=known,
            one_piece=region.one_p,
            width_between_mm=widths.between_mm,
            **{str(what): presence for what, presence in finish.seen.items()},
        ),
        boxes_px=finish.boxes_px,
        measured_lines_px=widths.lines_px,
        notes=widths.notes + tuple(finish.notes),
    )


def _tells_width(widths: Widths) -> bool:
    """Return whether a piece's edges told how wide it is: no guess by its outline then."""
    told = {problem.code for problem in widths.problems}
    return widths.diameter is not None or not told.isdisjoint(TELL_WIDTH)


def _once(problems: Iterable[Problem]) -> list[Problem]:
    """Join repeats: several pieces with one fault are one thing to mend."""
    kept: dict[tuple[str, str, str], list[Problem]] = {}
    for problem in problems:
        kept.setdefault((problem.code, without_numbers(problem.text), problem.fix), []).append(
            problem
        )
    return [joined(alike) for alike in kept.values()]
