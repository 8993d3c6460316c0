"""Examine a photo, with what the person tapped where the program got it wrong."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from inspect import signature
from typing import TYPE_CHECKING, Any

from app.request import Request
from rules.errors import PhotoError

if TYPE_CHECKING:
    from vision.types import Examination, Photo, Region, Scale


@dataclass(frozen=True, slots=True, kw_only=True)
class Taps:
    """What the person tapped on the photo, in photo pixels.

    Attributes:
        ends: Two points a known distance apart; None where the reference was found.
        length_mm: That distance.
        u_px: How well a tap is placed (k = 1).
        at: A point on the piece that counts; None where the outline was right.
    """

    ends: tuple[tuple[float, float], tuple[float, float]] | None = None
    length_mm: float | None = None
    u_px: float = 2.0
    at: tuple[float, float] | None = None

    def __bool__(self) -> bool:
        return self.ends is not None or self.at is not None


def examined(photo: Photo, request: Request, taps: Taps) -> Examination:
    """Return what can be told from a photo, measured anew with the person's taps.

    Raises:
        PhotoError: The taps can't serve (too near each other, outside of the photo).
    """
    from vision.examine import examine
    from vision.taps import scale_from_two_points

    asked: dict[str, Any] = {
        "reference": request.reference,
        "form": request.form,
        "facts": request.facts,
        "print_scale": request.print_scale,
    }
    if not taps:
        return examine(photo, **asked)
    scale = None
    if taps.ends is not None and taps.length_mm is not None:
        scale = scale_from_two_points(
            photo, *taps.ends, length_mm=taps.length_mm, u_tap_px=taps.u_px
        )
    if "at" in signature(examine).parameters:
        asked |= {"scale": scale, "at": taps.at}
        return examine(photo, **asked)
    return _by_parts(photo, request, scale, taps.at)


def _by_parts(
    photo: Photo, request: Request, scale: Scale | None, at: tuple[float, float] | None
) -> Examination:
    """The steps of ``examine`` with a given scale or piece."""
    from vision.taps import region_at
    from vision.types import Examination, Problem

    steps: Any = import_module("vision.examine")

    problems: list[Problem] = []
    if scale is None:
        scale = steps._scale(photo, request.reference, problems, print_scale=request.print_scale)
    outlines = scale.outlines_px if scale is not None else ()
    model = steps.load_surface_model()
    regions: tuple[Region, ...] = ()
    if at is None:
        regions = steps._regions(photo, outlines, model, scale)
    else:
        try:
            regions = (region_at(photo, at, reference_outlines_px=outlines),)
        except PhotoError as fault:
            problems.append(Problem(code=fault.code, text=fault.message, fix=fault.fix))
    white = steps.estimate_white(photo, scale)
    stated = steps._stated_form(request.form)
    pieces = []
    for region in regions[: steps.MAX_PIECES]:
        detail = steps._detail(photo, region, model, scale)
        widths = steps._widths(photo, region, scale, stated, cut_end=request.form == steps.CUT_END)
        problems.extend(widths.problems)
        pieces.append(steps._reading(photo, region, widths, white, detail, request.facts))
    _, gates = steps.judge_quality(photo, region=regions[0] if regions else None, scale=scale)
    problems.extend(gates)
    return Examination(
        photo=photo, scale=scale, pieces=tuple(pieces), problems=tuple(steps._once(problems))
    )
