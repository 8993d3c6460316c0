"""How thick is a solid wire or a tube?

The edges along the piece (:mod:`vision.width.edges`), of them the run where it is plain
(:mod:`vision.width.runs`), and what that stands for in millimetres (:mod:`vision.width.budget`);
or in plain words why the photo can't tell.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from rules.findings import Measurement
from vision.pieces.centreline import CentreLine
from vision.problems import problem_of
from vision.types import FloatArray, Photo, Problem, Region, Scale
from vision.width.budget import combined, diameters_mm, edges_u
from vision.width.edges import MIN_STRETCHES, Edges, Flags, find_edges, nearest
from vision.width.runs import (
    AGREE_PX,
    AGREE_REL,
    is_one_piece,
    look_again,
    plain_run,
)

MIN_WIDTH_PX = 8.0
"""Measured width below which nothing is said. Blur and JPEG make thin wire look wide: of
9 rendered pieces measured at 6 to 9 px, found outlines, true widths were 3.5 to 8 px and
the interval held 3. Two-edge models scatter below 6 px in any case (drawn wires)."""

SURE_K = 0.67
"""A width must lie so many of its standard uncertainties above the least: three chances in
four. Of 12 renders measured at 8 to 11 px four go: wires of 5.4, 6.9 and 7.5 px that blur made
8.3 to 8.5 px wide (12 to 51 % off), and a cable that was 39 % off. Of 196 drawn wires of 8 to
50 px six go, all below 10.2 px."""

GOOD_WIDTH_PX = 25.0
"""What "go closer" aims at: of 80 found renders the median error was 7 % at 8 to 12 px, 4 % at
12 to 20 px, 1.3 % at 20 to 50 px."""

# For the advice alone; common practice of phones, no source.
WHOLE_PHOTO_PX = 2400
"""A photo whose long side is shorter was shrunk on its way: phones take 4000 pixels."""

PHONE_PHOTO_PX = 4000  # 12 megapixels at 4 : 3

NEAREST_CM = 10.0
"""Nearer a phone does not focus, and a card beside the piece is no longer whole in view."""

ALONE_SHARE = 0.75
"""A run with less of the piece than this is looked at again without the rest."""

MOST_LAYOUT_REL = 0.125
"""With more doubt than this of where the edges are, relative to the width, nothing is told:
a shadow's rim may be taken for the piece's, and the middle between both is neither. Of 48 looks
at drawn wires of 14 to 40 px, grey and copper, with their hard shadow in the outline, eleven were
read 48 to 110 % too wide, all of bright grey metal: four of those have more, 0.17 to 0.34, the
others 0.01 to 0.11; of the right ones one has more, 0.2. A soft one of 14 px told rightly has
0.124."""

ON_THE_WAY = np.array([0.5, 0.8, 0.95, 1.0])
"""Places from a piece's middle line to the photo's border, all on it where it goes on to there."""

MOST_CUT = 0.5
"""Where more of a piece than this has a side outside the photo, that is what stood in the way."""

UNSURE_U_REL = 0.1
"""From this relative standard uncertainty on a person is told how to do better."""

MIN_LENGTH_WIDTHS = 1.0
"""A centre line shorter than the piece is wide has no side to speak of."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DiameterReading:
    """What the photo says of one piece's thickness.

    Attributes:
        diameter: Outer diameter in mm, None where the photo can't tell.
        width_px: Width in the photo over the plain run, px; NaN where not found.
        lines_px: ``(n, 2, 2)`` ends of the widths that were used, photo pixels.
        problems: What stood in the way, and what to do.
    """

    diameter: Measurement | None
    width_px: float
    lines_px: FloatArray = field(default_factory=lambda: np.zeros((0, 2, 2)))
    problems: tuple[Problem, ...] = ()


def measure_diameter(
    photo: Photo, region: Region, scale: Scale, line: CentreLine | None
) -> DiameterReading:
    """Return the outer diameter of a long piece, or why the photo can't tell.

    The region's outline only says where to look. Of a stranded piece this is the
    bundle, never the strand.

    Args:
        photo: The photo.
        region: The piece; its mask may be off by a few pixels and have holes.
        scale: Of the same photo.
        line: The piece's centre line, None where it has none.
    """
    if line is None or line.length_px < MIN_LENGTH_WIDTHS * 2 * line.radius_px:
        return _refusal(problem_of("piece_too_short"))
    edges = find_edges(photo, line)
    width_px = 2 * line.radius_px if edges is None else float(np.median(edges.width_px))
    if width_px < MIN_WIDTH_PX:
        return _refusal(_too_thin(photo, scale, width_px), width_px)
    cut = _cut_by_frame(photo, region, line)
    if edges is not None:
        edges = edges.only(~cut[nearest(edges.middles_px, line.points_px)])
    if edges is None or len(edges.left_px) < MIN_STRETCHES:
        beyond = cut.mean() > MOST_CUT
        why = problem_of("cut_by_frame") if beyond else problem_of("edges_unclear")
        return _refusal(why, width_px)
    diameters = diameters_mm(edges, scale)
    kept = plain_run(diameters, tolerance_rel=max(AGREE_REL, AGREE_PX / width_px))
    seen = kept.sum() >= MIN_STRETCHES
    if not seen or not is_one_piece(diameters, kept):
        return _refusal(
            problem_of("thickness_uneven") if seen else problem_of("edges_unclear"), width_px
        )
    run = edges.only(kept)
    if kept.mean() < ALONE_SHARE:
        run = look_again(photo, edges, kept) or run
    return _reading(run, photo, scale)


def _cut_by_frame(photo: Photo, region: Region, line: CentreLine) -> Flags:
    """Return at which points of a line the piece goes on across it to the photo's border.

    One of its sides lies outside there, and the edge that is found is a glint or a shadow on it.
    """
    ways = np.stack([line.normals, -line.normals], axis=1)
    most = np.array([photo.width_px, photo.height_px]) - 1.0
    starts = line.points_px[:, None]
    to_border = np.where(ways > 0, most - starts, starts) / np.maximum(np.abs(ways), 1e-9)
    far = to_border.min(axis=2)[..., None]
    at = starts[:, :, None] + (far * ON_THE_WAY)[..., None] * ways[:, :, None]
    columns, rows = np.moveaxis(np.rint(at).astype(int) - region.box_px[:2], -1, 0)
    height, width = region.mask.shape
    there = (columns >= 0) & (columns < width) & (rows >= 0) & (rows < height)
    on = there & region.mask[rows.clip(0, height - 1), columns.clip(0, width - 1)]
    return np.asarray(on.all(axis=2).any(axis=1), dtype=bool)


def _reading(run: Edges, photo: Photo, scale: Scale) -> DiameterReading:
    """Return the diameter of a run, if it is surely wide enough in the photo."""
    diameter = combined(diameters_mm(run, scale), run, scale)
    found_px = float(np.median(run.width_px))
    u_px = found_px / diameter.value * edges_u(diameter)
    if found_px < GOOD_WIDTH_PX and found_px - SURE_K * u_px < MIN_WIDTH_PX:
        return _refusal(_too_thin(photo, scale, found_px, u_px=u_px), found_px)
    if diameter.budget["layout"] > MOST_LAYOUT_REL * diameter.value:
        return _refusal(problem_of("edges_unclear"), found_px)
    return DiameterReading(
        diameter=diameter,
        width_px=found_px,
        lines_px=np.stack([run.left_px, run.right_px], axis=1),
        problems=_unsure(diameter, photo, scale, found_px),
    )


def _refusal(problem: Problem, width_px: float = float("nan")) -> DiameterReading:
    return DiameterReading(diameter=None, width_px=width_px, problems=(problem,))


def _unsure(
    diameter: Measurement, photo: Photo, scale: Scale, width_px: float
) -> tuple[Problem, ...]:
    """Say how to get a surer width, where this one leaves much open."""
    u_rel = diameter.u / diameter.value
    if u_rel < UNSURE_U_REL:
        return ()
    said = {"width_px": width_px, "percent": 200 * u_rel}
    if width_px >= GOOD_WIDTH_PX:
        return (problem_of("width_unsure", **said),)
    closer = closer_words(photo, scale, width_px=width_px, wanted_px=GOOD_WIDTH_PX)
    return (problem_of("width_unsure.thin", closer=closer, **said),)


def closer_words(photo: Photo, scale: Scale, *, width_px: float, wanted_px: float) -> str:
    """Return how to get a piece so many pixels wide that is ``width_px`` wide now.

    A photo that was shrunk on its way loses more than going nearer can bring; and nearer
    than a phone focuses, or than the card fits into the picture, helps nobody.
    """
    now_cm = scale.camera_mm[2] / 10
    closer_cm = now_cm * max(width_px, 0.5) / wanted_px
    told, long_side = [], max(photo.width_px, photo.height_px)
    if long_side < WHOLE_PHOTO_PX:
        told.append(
            "Hand in the photo as the camera took it, not a smaller copy: this one has only "
            f"{photo.width_px} x {photo.height_px} pixels."
        )
        closer_cm *= PHONE_PHOTO_PX / long_side
    near_cm = max(closer_cm, NEAREST_CM)
    if round(near_cm) < round(now_cm):
        told.append(f"Move from about {now_cm:.0f} cm to about {near_cm:.0f} cm.")
    if closer_cm < NEAREST_CM or not told:
        told.append("What stays too thin even so needs a caliper.")
    return " ".join(told)


def _too_thin(photo: Photo, scale: Scale, width_px: float, *, u_px: float = 0.0) -> Problem:
    """Say how thin the piece is in the photo and how close to go."""
    seen = f"only {width_px:.1f}" if u_px == 0 else f"{width_px:.1f} ± {2 * u_px:.1f}"
    return problem_of(
        "too_thin_in_photo",
        seen=seen,
        least_px=MIN_WIDTH_PX,
        closer=closer_words(photo, scale, width_px=width_px, wanted_px=GOOD_WIDTH_PX),
    )
