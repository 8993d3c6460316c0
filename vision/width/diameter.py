"""How thick is a solid wire or a tube?

Profiles across the centre line are averaged along short stretches; each stretch
gives two edges, and with them one width. Both edges go to the reference's plane, and
the cylinder that shows them there gives the diameter (:mod:`vision.width.cylinder`), so
tilt and height are settled stretch by stretch. A piece is as thick all along, so its
plain run is where most stretches agree: fittings, crossings and ends fall out.

Uncertainty after JCGM 100: what plain edges leave; how widely the network spreads its
answer, where blur or shadow leave several edges likely; scatter along the piece with as many
independent stretches as its autocorrelation leaves; the scale; the camera's height; a
piece off the table.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from rules.findings import Form, Measurement, Unit
from vision.pieces.centreline import CentreLine, centre_line, smoothed, unit_tangents
from vision.types import FloatArray, Photo, Problem, Region, Scale
from vision.width.arms import END_STRETCHES, SHORT_WIDTHS, arms_of, end_lines, looks_thinner
from vision.width.cylinder import diameter_of_cylinder
from vision.width.edge_net import (
    SAMPLES,
    edge_scores,
    local_mean,
    log_probabilities,
    width_log_probabilities,
    window_offsets,
)
from vision.width.profiles import Strip, averaged, sample_at
from vision.width.winding import is_wound

Flags = NDArray[np.bool_]

MIN_WIDTH_PX = 8.0
"""Measured width below which nothing is said. Blur and JPEG make thin wire look wide: of
9 rendered pieces measured at 6 to 9 px, found outlines, true widths were 3.5 to 8 px and
the interval held 3. Two-edge models scatter below 6 px in any case (drawn wires)."""

SURE_K = 0.67
"""A width must lie so many of its standard uncertainties above the least: three chances in
four. Of 12 renders measured at 8 to 11 px four go: wires of 5.4, 6.9 and 7.5 px that blur made
8.3 to 8.5 px wide (12 to 51 % off), and a cable that was 39 % off. Of 196 drawn wires of 8 to
50 px six go, all below 10.2 px."""

WIDTH_PARTS = ("edges", "layout", "scatter")
"""What of the uncertainty is the width's, not the scale's."""

GOOD_WIDTH_PX = 25.0
"""What "go closer" aims at: of 80 found renders the median error was 7 % at 8 to 12 px, 4 % at
12 to 20 px, 1.3 % at 20 to 50 px."""

# For the advice alone; common practice of phones, no source.
WHOLE_PHOTO_PX = 2400
"""A photo whose long side is shorter was shrunk on its way: phones take 4000 pixels."""

PHONE_PHOTO_PX = 4000
NEAREST_CM = 10.0
"""Nearer a phone does not focus, and a card beside the piece is no longer whole in view."""


MAX_STRETCHES = 32
"""Stretches a piece is cut into; more of them are no more independent of each other."""

CONTEXT_STRETCHES = 8
"""So many neighbours tell each other what is steady, or the tube is drawn to its fitting's
width: 22 rendered tubes in fittings were off by 8.2 % in the median with all together, by
3.1 % with this and a second look at the run alone."""

CONTEXT_FROM_PX = 20.0
"""Thinner pieces carry no fitting that could be seen, and need all that is known of them."""

FIRST_STRETCHES = 8
"""The first look only finds the middle and about how wide the piece is."""

PROFILES_PER_STRETCH = 8

AGREE_REL = 0.04
"""Stretches within this of the mode belong to the plain run ..."""

AGREE_PX = 0.8
"""... or within this, where pixels are coarser."""

FITTING_LOG = 0.05
"""A fitting is thicker than its tube by this and more: twice a wall of 0.9 mm and the gap
on a 28 mm tube (EN 1254-1, from memory) are 7 % ..."""

NUT_LOG = 0.405
"""... and by this at most, half as thick again: what is thinner still is another piece, or the
conductor at a cable's end."""

FITTED_SUPPORT = 0.25
"""An elbow's arms may be short: nine of 22 rendered tubes in fittings showed tube on about a
third of their length or less, ends left out."""

LEAST_FITTED_MM = 5.0
"""Nothing thinner carries a fitting: tube in the trade starts at 6 mm (EN 1057)."""

MOST_OF_PIECE = 0.5
"""A run shorter than this share of the line must be explained by what the rest is. Of 114
measured renders five had one that nothing explained: in four the line ran from one piece on to
another across it, in one along a shadow; four of the five were off by 26 to 74 %."""

STRIPPED_SHARE, STRIPPED_LOG = 0.7, 0.1
"""A stripped end is as thick all along: of what is thinner than the run so much agrees within
this. In five of six rendered cables 0.71 to all of it did, in one with fanned strands 0.47."""

EDGE_PX, DOUBT_SHARE = 0.25, 2.5
"""Standard uncertainty of a width, px: what plain edges leave, and how much of the network's
own doubt (px to the power 1.5) comes to it. The best two of several such rules by the
likelihood of 125 found wires and tubes of 220 renders (0.22 and 2.26, Student's t with 4
degrees of freedom), a little wider: with them 9 in 10 of those under 20 px were held."""

EDGES_REL = 0.005
"""What is left on wide pieces, whose error no longer shrinks with their pixels: against the
true outlines 28 plain tubes of 50 px and more were off by 0.35 % in the median."""

PLAIN_SAMPLES = 1.2
"""Spread of the width, in samples of a profile, that the network gives a plain one: it was
taught edges as wide as 0.7 samples, and a width has two."""

ALONE_SHARE = 0.75
"""A run with less of the piece than this is looked at again without the rest."""

UNSURE_U_REL = 0.1
"""From this relative standard uncertainty on a person is told how to do better."""

MASK_DOUBT = (0.10, 1.5)
"""How far an outline's edge may be off: a share of the width and some px. Outlines take in
shadow and lose dull rims; the network alone takes a neighbour's edge for the piece's."""

FIRST_LOOK_DOUBT = (0.08, 1.0)
"""The same for the edges that the first look found, over the whole piece."""

MIN_STRETCHES = 3

RIM_PX = 1.5
"""An edge so close to the photo's border is taken for the border, as in training."""

GAP_STEPS = 2.5
"""Neighbouring stretches so many usual steps apart have others between them."""

MIN_LENGTH_WIDTHS = 1.0
"""A centre line shorter than the piece is wide has no side to speak of."""

ASSUMED_FOCAL_PER_LONG_SIDE = 0.75
"""Focal length over the long side of a phone's main camera: 26 mm equivalent on the
diagonal of a 4:3 photo. From memory of common phones; its doubt is below."""

ASSUMED_FOCAL_U_REL = 0.25
"""Covers 24 mm to 40 mm equivalents and cropped photos."""

POOL_POWER = 1.5
"""How many independent looks the stretches of one piece count for when their probabilities
are pooled: they share their light and their table, so they err alike."""

LIFT_U_DIAMETERS = 0.15
"""Standard uncertainty of how far a piece stands off the table, in diameters: bent wire
does not lie flat. An estimate, no source."""


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edges:
    """Both edges of a piece, stretch by stretch.

    Attributes:
        left_px: ``(n, 2)`` photo points.
        right_px: ``(n, 2)`` photo points.
        widths_px: ``(k,)`` widths at even steps from 0.
        width_logs: ``(n, k)`` log probability of each of these widths.
        plainness: Median, over the stretches, of how much likelier than anywhere the networks
            alone hold the edges to be where they were found, in natural logarithms.
        line: The line, moved to the middle between them.
    """

    left_px: FloatArray
    right_px: FloatArray
    widths_px: FloatArray
    width_logs: FloatArray
    plainness: float
    line: CentreLine

    @property
    def width_px(self) -> FloatArray:
        """``(n,)`` width in the photo."""
        return np.asarray(np.linalg.norm(self.right_px - self.left_px, axis=1), dtype=np.float64)

    def only(self, kept: Flags) -> Edges:
        """Return the chosen stretches."""
        return Edges(
            left_px=self.left_px[kept],
            right_px=self.right_px[kept],
            widths_px=self.widths_px,
            width_logs=self.width_logs[kept],
            plainness=self.plainness,
            line=self.line,
        )


def measure_diameter(
    photo: Photo, region: Region, scale: Scale, *, form: Form, line: CentreLine | None = None
) -> DiameterReading:
    """Return the outer diameter of a long piece, or why the photo can't tell.

    The region's outline only says where to look. Of a stranded piece this is the
    bundle, never the strand.

    Args:
        photo: The photo.
        region: The piece; its mask may be off by a few pixels and have holes.
        scale: Of the same photo.
        form: Sheet has no diameter.
        line: The piece's centre line where that is known already.
    """
    if form is Form.SHEET:
        return DiameterReading(diameter=None, width_px=float("nan"))
    line = line or centre_line(region.mask, offset_px=region.box_px[:2])
    if line is None or line.length_px < MIN_LENGTH_WIDTHS * 2 * line.radius_px:
        return _refusal(_too_short())
    if is_wound(photo, line, region=region):
        return _refusal(_wound(), 2 * line.radius_px)
    edges = find_edges(photo, line)
    width_px = 2 * line.radius_px if edges is None else float(np.median(edges.width_px))
    if edges is None or width_px < MIN_WIDTH_PX:
        thin = width_px < MIN_WIDTH_PX
        return _refusal(_too_thin(photo, scale, width_px) if thin else _no_edges(), width_px)
    diameters = diameters_mm(edges, photo, scale)
    kept = plain_run(diameters, tolerance_rel=max(AGREE_REL, AGREE_PX / width_px))
    seen = kept.sum() >= MIN_STRETCHES
    if not seen or not is_one_piece(diameters, kept):
        return _refusal(_uneven() if seen else _no_edges(), width_px)
    run = edges.only(kept)
    if kept.mean() < ALONE_SHARE:
        run = look_again(photo, edges, kept) or run
    run = look_at_arms(photo, region, run, scale, line=edges.line) or run
    return _reading(run, photo, scale)


def _reading(run: Edges, photo: Photo, scale: Scale) -> DiameterReading:
    """Return the diameter of a run, if it is surely wide enough in the photo."""
    diameter = combined(diameters_mm(run, photo, scale), run, photo, scale)
    found_px = float(np.median(run.width_px))
    u_px = found_px / diameter.value * hypot(*(diameter.budget[part] for part in WIDTH_PARTS))
    if found_px < GOOD_WIDTH_PX and found_px - SURE_K * u_px < MIN_WIDTH_PX:
        return _refusal(_too_thin(photo, scale, found_px, u_px=u_px), found_px)
    return DiameterReading(
        diameter=diameter,
        width_px=found_px,
        lines_px=np.stack([run.left_px, run.right_px], axis=1),
        problems=_unsure(diameter, photo, scale, found_px),
    )


def find_edges(photo: Photo, line: CentreLine) -> Edges | None:
    """Return both edges along a line, looked for where its outline has them.

    Two short looks, each from what was found before, then a full one.
    """
    first = _look(photo, line, max(2 * line.radius_px, 3.0), FIRST_STRETCHES, MASK_DOUBT)
    if first is None:
        return None
    again = _look(photo, first.line, first.width_px, FIRST_STRETCHES, MASK_DOUBT) or first
    last = _look(photo, again.line, again.width_px, MAX_STRETCHES, FIRST_LOOK_DOUBT)
    return None if last is None else _edges_of(last)


def look_again(photo: Photo, edges: Edges, run: Flags) -> Edges | None:
    """Return the edges of a run alone, looked for at its own width.

    The network takes a piece for equally thick all along: beside a fitting it sees the
    tube wider than it is.
    """
    middles = (edges.left_px + edges.right_px) / 2
    nearest = np.linalg.norm(edges.line.points_px[:, None] - middles[None], axis=2).argmin(axis=1)
    own = run[nearest]
    line = CentreLine(
        points_px=edges.line.points_px[own],
        tangents=edges.line.tangents[own],
        radius_px=edges.line.radius_px,
        radii_px=edges.line.radii_px[own],
        step_px=edges.line.step_px,
    )
    start = float(np.median(edges.width_px[run]))
    look = _look(photo, line, start, int(run.sum()), FIRST_LOOK_DOUBT, trimmed=False)
    return None if look is None else _edges_of(look)


def look_at_arms(
    photo: Photo, region: Region, run: Edges, scale: Scale, *, line: CentreLine
) -> Edges | None:
    """Return the edges of the tube that sticks out of a short piece's ends, if thinner tube
    does: then the run is the fitting's.
    """
    width_px = float(np.median(run.width_px))
    body_mm = float(np.median(diameters_mm(run, photo, scale)))
    short = line.length_px < SHORT_WIDTHS * width_px
    if not short or width_px < CONTEXT_FROM_PX or body_mm < LEAST_FITTED_MM:
        return None
    lines = end_lines(line, region, width_px=width_px)
    if not looks_thinner(lines, region, width_px=width_px):
        return None
    looks = [
        _look(photo, end, width_px, END_STRETCHES, FIRST_LOOK_DOUBT, trimmed=False) for end in lines
    ]
    ends = [_edges_of(look) for look in looks if look is not None]
    tolerance_rel = max(AGREE_REL, AGREE_PX / width_px)
    ends_mm = [diameters_mm(end, photo, scale) for end in ends]
    arms = arms_of(ends_mm, body_mm=body_mm, tolerance_rel=tolerance_rel)
    if arms is None:
        return None
    return _joined([end.only(arm) for end, arm in zip(ends, arms, strict=True)], line)


def _joined(parts: Sequence[Edges], line: CentreLine) -> Edges:
    """Return the edges of parts that were looked for at the same width as one."""
    return Edges(
        left_px=np.concatenate([part.left_px for part in parts]),
        right_px=np.concatenate([part.right_px for part in parts]),
        widths_px=parts[0].widths_px,
        width_logs=np.concatenate([part.width_logs for part in parts]),
        plainness=float(np.median([part.plainness for part in parts])),
        line=line,
    )


def _edges_of(look: _Look) -> Edges:
    return Edges(
        left_px=look.strip.at(look.found_px[:, 0])[look.both],
        right_px=look.strip.at(look.found_px[:, 1])[look.both],
        widths_px=np.arange(len(look.strip.offsets_px)) * look.strip.step_px,
        width_logs=width_log_probabilities(look.logs)[look.both],
        plainness=look.plainness,
        line=look.line,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Look:
    """One look at the edges: where they were found, and the line moved to their middle."""

    strip: Strip
    logs: FloatArray
    found_px: FloatArray
    both: Flags
    width_px: float
    line: CentreLine
    plainness: float


def _look(
    photo: Photo,
    line: CentreLine,
    width_px: float,
    stretches: int,
    outline_doubt: tuple[float, float],
    *,
    trimmed: bool = True,
) -> _Look | None:
    """Look for both edges where this width has them, give or take the doubt."""
    strip = _stretches(photo, line, width_px, stretches, trimmed=trimmed)
    if len(strip.profiles) < MIN_STRETCHES:
        return None
    together = CONTEXT_STRETCHES if width_px >= CONTEXT_FROM_PX else None
    said = edge_scores(strip, width_px=width_px, together=together)
    doubt_px = outline_doubt[0] * width_px + outline_doubt[1]
    logs = log_probabilities(said + expectation(strip.offsets_px, width_px, doubt_px=doubt_px))
    found = np.stack([local_mean(np.exp(logs[..., k]), strip.offsets_px) for k in (0, 1)], axis=1)
    both = (found[:, 1] > found[:, 0]) & _is_on(photo, strip, found)
    if both.sum() < MIN_STRETCHES:
        return None
    width = float(np.median(found[both, 1] - found[both, 0]))
    columns = np.abs(strip.offsets_px[None, :, None] - found[:, None, :]).argmin(axis=1)
    plain = log_probabilities(said) + np.log(SAMPLES)
    scores = np.take_along_axis(plain, columns[:, None, :], axis=1)[:, 0]
    return _Look(
        strip=strip,
        logs=logs,
        found_px=found,
        both=both,
        width_px=width,
        line=_recentred(line, strip, found, both, width / 2),
        plainness=float(np.median(scores.mean(axis=1))),
    )


def _is_on(photo: Photo, strip: Strip, found: FloatArray) -> Flags:
    """Return where both edges lie inside the photo, so that its border is neither of them."""
    ends = np.stack([strip.at(found[:, k]) for k in (0, 1)], axis=1)
    most = np.array([photo.width_px, photo.height_px]) - 1 - RIM_PX
    return np.asarray(((ends > RIM_PX) & (ends < most)).all(axis=(1, 2)), dtype=bool)


def expectation(offsets_px: FloatArray, width_px: float, *, doubt_px: float) -> FloatArray:
    """Return ``(m, 2)``: how far left and right edge are expected where the outline has
    them, in logs up to a constant. Student's t with two degrees of freedom: a far better
    edge elsewhere still wins, an equal one beside the piece does not.
    """
    away = offsets_px[:, None] - np.array([-width_px / 2, width_px / 2])
    return np.asarray(-1.5 * np.log1p((away / doubt_px) ** 2 / 2), dtype=np.float64)


def _stretches(
    photo: Photo, line: CentreLine, width_px: float, stretches: int, *, trimmed: bool = True
) -> Strip:
    """Return the straightened piece without its ends, averaged along short stretches."""
    every = max(1, int(np.ceil(len(line.points_px) / (PROFILES_PER_STRETCH * stretches))))
    trim = int(min(round(width_px / line.step_px), len(line.points_px) // 5)) * trimmed
    chosen = slice(trim, len(line.points_px) - trim, every)
    thinned = CentreLine(
        points_px=line.points_px[chosen],
        tangents=line.tangents[chosen],
        radius_px=line.radius_px,
        radii_px=line.radii_px[chosen],
        step_px=line.step_px * every,
    )
    strip = sample_at(photo, thinned, offsets_px=window_offsets(width_px))
    return averaged(strip, stretches)


def _recentred(
    line: CentreLine, strip: Strip, found: FloatArray, both: Flags, radius_px: float
) -> CentreLine:
    """Return the line moved to the middle between the found edges."""
    middle = np.mean(found, axis=1)
    rows = np.nonzero(both)[0]
    # A stretch that went astray is held to its neighbours before the line follows it.
    kept = np.abs(middle[rows] - _running_median(middle[rows], 5)) < 0.25 * radius_px + 0.5
    rows = rows[kept] if kept.sum() >= MIN_STRETCHES else rows
    to_line = np.linalg.norm(
        line.points_px[None, :, :] - strip.points_px[rows][:, None, :], axis=2
    ).argmin(axis=1)
    shift = np.interp(np.arange(len(line.points_px)), to_line, middle[rows])
    sigma = max(1.0, 1.5 * radius_px / line.step_px)
    points = line.points_px + smoothed(shift, sigma)[:, None] * line.normals
    tangents = unit_tangents(points)
    return CentreLine(
        points_px=points,
        tangents=tangents,
        radius_px=radius_px,
        radii_px=line.radii_px,
        step_px=line.step_px,
    )


def _running_median(values: FloatArray, size: int) -> FloatArray:
    half = size // 2
    padded = np.pad(values, half, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, size)
    return np.asarray(np.median(windows, axis=1), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """Where the camera was over the face plane, in mm of it, and the doubt of its height."""

    foot_mm: tuple[float, float]
    height_mm: float
    u_rel: float


def camera_over(photo: Photo, scale: Scale) -> Camera:
    """Return where the camera was over the face plane; assumed straight above if not known."""
    if scale.camera_mm is not None:
        x, y, z = scale.camera_mm
        return Camera(foot_mm=(x, y), height_mm=z, u_rel=scale.u_camera_rel)
    middle = np.array([[(photo.width_px - 1) / 2, (photo.height_px - 1) / 2]])
    x, y = scale.to_mm(middle)[0]
    long_side = max(photo.width_px, photo.height_px)
    focal_px = photo.focal_px or ASSUMED_FOCAL_PER_LONG_SIDE * long_side
    u_focal = 0.05 if photo.focal_px else ASSUMED_FOCAL_U_REL
    return Camera(
        foot_mm=(float(x), float(y)),
        height_mm=focal_px * scale.mm_per_px,
        u_rel=float(np.hypot(u_focal, scale.u_camera_rel)),
    )


def diameters_mm(
    edges: Edges, photo: Photo, scale: Scale, *, camera_factor: float = 1.0
) -> FloatArray:
    """Return the ``(n,)`` diameters that the edges stand for, mm.

    Args:
        edges: Both edges of each stretch.
        photo: For the camera, where the scale does not know it.
        scale: Pixels to mm, face height, camera.
        camera_factor: The camera's height is multiplied by this (for its doubt).
    """
    camera = camera_over(photo, scale)
    left, right = scale.to_mm(edges.left_px), scale.to_mm(edges.right_px)
    across = _across(left, right)
    foot = np.asarray(camera.foot_mm)
    return diameter_of_cylinder(
        np.sum((left - foot) * across, axis=1),
        np.sum((right - foot) * across, axis=1),
        camera_height_mm=camera.height_mm * camera_factor,
        face_height_mm=scale.face_height_mm,
    )


def _across(left_mm: FloatArray, right_mm: FloatArray) -> FloatArray:
    """Unit vectors across the axis on the plane: a cut square to the piece in the photo
    is not square to it there once the camera is tilted. Where stretches are left out
    between two, nothing is known of how the axis runs there."""
    middle = (left_mm + right_mm) / 2
    steps = np.linalg.norm(np.diff(middle, axis=0), axis=1)
    usual = float(np.median(steps)) if len(steps) else 0.0
    gaps = np.nonzero(steps > GAP_STEPS * usual)[0] + 1
    return np.concatenate(
        [
            _across_run(m, cut)
            for m, cut in zip(
                np.split(middle, gaps), np.split(right_mm - left_mm, gaps), strict=True
            )
        ]
    )


def _across_run(middle: FloatArray, cut: FloatArray) -> FloatArray:
    if len(middle) < 3:
        unit: FloatArray = cut / np.linalg.norm(cut, axis=1, keepdims=True)
        return unit
    along = np.gradient(np.column_stack([smoothed(middle[:, k], 2.0) for k in (0, 1)]), axis=0)
    across = np.column_stack([along[:, 1], -along[:, 0]])
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12)
    turned: FloatArray = across * np.sign(np.sum(across * cut, axis=1, keepdims=True))
    return turned


def plain_run(diameters: FloatArray, *, tolerance_rel: float) -> Flags:
    """Return which stretches agree with the most common diameter.

    The mode is the peak of a Gaussian density over the diameters with half the
    tolerance as bandwidth; what lies within the tolerance of it is kept. On tube a
    thinner mode with a quarter of the support wins: elbows, nuts and sockets are thicker
    than the tube they sit on, and may be longer than what is seen of it.
    """
    logs = np.log(np.maximum(diameters, 1e-9))
    away = np.abs(logs[:, None] - logs[None, :])
    density = np.exp(-0.5 * (away / (tolerance_rel / 3)) ** 2).sum(axis=1)
    near = away < tolerance_rel
    support = near.sum(axis=1)
    mode = int(np.argmax(density))
    is_peak = density >= np.where(away < tolerance_rel / 2, density[None, :], 0).max(axis=1)
    least = max(MIN_STRETCHES + 1, FITTED_SUPPORT * support[mode])
    thinner = (
        is_peak
        & (logs < logs[mode] - FITTING_LOG)
        & (logs > logs[mode] - NUT_LOG)
        & (support >= least)
        & (diameters >= LEAST_FITTED_MM)
    )
    if thinner.any():
        mode = int(np.argmax(np.where(thinner, density, 0)))
    centre = np.median(logs[near[mode]])
    return np.asarray(np.abs(logs - centre) < tolerance_rel, dtype=bool)


def is_one_piece(diameters: FloatArray, run: Flags) -> bool:
    """Return whether all stretches may belong to one piece that is as thick as the run.

    They may where the run is most of it, where the rest is thicker as a tube's fitting
    is, or steadily thinner as a stripped end is.

    Args:
        diameters: Of each stretch, mm.
        run: Which of them the diameter is taken from.
    """
    if run.mean() >= MOST_OF_PIECE:
        return True
    logs = np.log(np.maximum(diameters, 1e-9))
    rest = logs[~run] - np.median(logs[run])
    if np.median(rest) > 0:
        return bool(np.median(diameters[run]) >= LEAST_FITTED_MM and np.median(rest) < NUT_LOG)
    agree = np.abs(rest[:, None] - rest[None, :]) < STRIPPED_LOG
    return bool(agree.mean(axis=1).max() >= STRIPPED_SHARE)


def independent(values: FloatArray) -> float:
    """Return how many of these neighbouring values are independent of each other.

    ``n / (1 + 2 sum of autocorrelations)`` up to the first that is not positive.
    """
    n = len(values)
    rest = values - values.mean()
    power = float(np.sum(rest**2))
    if n < 4 or power <= 0:
        return float(n)
    total = 0.0
    for lag in range(1, n // 2):
        rho = float(np.sum(rest[lag:] * rest[:-lag])) / power
        if rho <= 0:
            break
        total += rho
    return max(1.5, n / (1 + 2 * total))


def pooled(diameters: FloatArray, edges: Edges) -> float:
    """Return the likeliest diameter of all stretches together, mm: the density's median.

    Each stretch says how likely every width is; through its own mm per pixel this
    becomes a density of the one diameter they share.
    """
    mm_per_px = diameters / edges.width_px
    grid = float(np.median(diameters)) * np.linspace(0.5, 1.6, 1101)
    logs = np.zeros_like(grid)
    for ratio, row in zip(mm_per_px, edges.width_logs, strict=True):
        logs += np.interp(grid / ratio, edges.widths_px, row)
    logs *= POOL_POWER / len(diameters)
    density = np.exp(logs - logs.max())
    below = (np.cumsum(density) - density / 2) / density.sum()
    return float(np.interp(0.5, below, grid))


def doubt_px(edges: Edges) -> float:
    """Return how widely the network spreads the width of one stretch, px, beyond what it
    does on plain edges: it says so where blur, shadow or table leave several edges likely.
    """
    p = np.exp(edges.width_logs)
    p /= p.sum(axis=1, keepdims=True)
    mean = p @ edges.widths_px
    variance = p @ edges.widths_px**2 - mean**2
    plain = PLAIN_SAMPLES * (edges.widths_px[1] - edges.widths_px[0])
    return sqrt(max(float(np.median(variance)) - float(plain) ** 2, 0.0))


def combined(diameters: FloatArray, edges: Edges, photo: Photo, scale: Scale) -> Measurement:
    """Return the diameter with its uncertainty and its parts, from the plain run.

    Args:
        diameters: Of each stretch of the run, mm.
        edges: Of the same stretches.
        photo: For the camera, where the scale does not know it.
        scale: Pixels to mm.
    """
    value = pooled(diameters, edges)
    n_eff = independent(diameters)
    mm_per_px = value / float(np.median(edges.width_px))
    scatter = 1.4826 * float(np.median(np.abs(diameters - np.median(diameters))))
    camera = camera_over(photo, scale)
    higher = diameters_mm(edges, photo, scale, camera_factor=1 + camera.u_rel)
    away = scale.away_u_rel((edges.left_px + edges.right_px) / 2)
    budget = {
        "edges": hypot(mm_per_px * EDGE_PX, EDGES_REL * value),
        "layout": mm_per_px * DOUBT_SHARE * doubt_px(edges) ** 1.5,
        "scatter": 1.2533 * scatter / sqrt(n_eff),  # a median is 25 % less sure than a mean
        "scale": value * scale.u_rel,
        "away_from_reference": value * float(np.mean(away)),
        "camera_height": abs(float(np.median(higher / diameters)) - 1) * value,
        "lift": LIFT_U_DIAMETERS * value * value / camera.height_mm,
    }
    return of_budget(value, budget, n_eff=n_eff)


def of_budget(value: float, budget: Mapping[str, float], *, n_eff: float) -> Measurement:
    """Return a size in mm whose uncertainty has these parts, none below zero.

    Args:
        value: In mm.
        budget: Standard uncertainties in mm; ``scatter`` is what repeated looks gave.
        n_eff: How many independent looks that were.
    """
    u = sqrt(sum(part**2 for part in budget.values()))
    half = coverage_factor(u, budget["scatter"], n_eff - 1) * u
    return Measurement(
        value=value,
        u=u,
        unit=Unit.MILLIMETRE,
        low95=max(0.0, value - half),
        high95=value + half,
        budget=budget,
    )


def coverage_factor(u: float, u_scatter: float, freedom: float) -> float:
    """Return k for 95 %: Student's t at the effective degrees of freedom.

    Welch-Satterthwaite (JCGM 100:2008, G.4) with only the scatter's degrees finite;
    the quantile by Fisher's expansion (Abramowitz and Stegun 26.7.5).
    """
    if u_scatter <= 0 or u <= 0:
        return 1.96
    nu = max(freedom, 1.0) * (u / u_scatter) ** 4
    z = 1.959964
    g1 = (z**3 + z) / 4
    g2 = (5 * z**5 + 16 * z**3 + 3 * z) / 96
    g3 = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
    return min(z + g1 / nu + g2 / nu**2 + g3 / nu**3, 12.7)


def _refusal(problem: Problem, width_px: float = float("nan")) -> DiameterReading:
    return DiameterReading(diameter=None, width_px=width_px, problems=(problem,))


def _too_short() -> Problem:
    return Problem(
        code="piece_too_short",
        text="The piece is not long enough across the photo to measure its thickness.",
        fix="Lay it so that a straight run several times longer than it is thick can be seen.",
    )


def _wound() -> Problem:
    return Problem(
        code="piece_wound",
        text="The piece is wound or tangled: its width is that of several turns together.",
        fix="Pull one end out straight so that it lies alone for several centimetres, and "
        "photograph that end.",
    )


def _no_edges() -> Problem:
    return Problem(
        code="edges_unclear",
        text="The piece's edges can't be told from the table along a long enough run.",
        fix="Lay it on plain white paper in soft light, away from other pieces, and take "
        "the photo again.",
    )


def _uneven() -> Problem:
    return Problem(
        code="thickness_uneven",
        text="Most of what was taken for one piece is not equally thick: several pieces may "
        "touch or lie across each other, or a deep shadow hides an edge.",
        fix="Lay the piece alone, so that nothing crosses or touches it, on plain white paper "
        "in soft light.",
    )


def _unsure(
    diameter: Measurement, photo: Photo, scale: Scale, width_px: float
) -> tuple[Problem, ...]:
    """Say how to get a surer width, where this one leaves much open."""
    u_rel = diameter.u / diameter.value
    if u_rel < UNSURE_U_REL:
        return ()
    closer = (
        closer_words(photo, scale, width_px=width_px, wanted_px=GOOD_WIDTH_PX)
        if width_px < GOOD_WIDTH_PX
        else None
    )
    return (
        Problem(
            code="width_unsure",
            text=f"The piece is {width_px:.0f} pixels wide in the photo; blur or shadow leaves its "
            f"thickness open by about {200 * u_rel:.0f} %.",
            fix=closer
            or "Lay it on plain white paper in soft light, its shadow short, and hold still.",
        ),
    )


def closer_words(photo: Photo, scale: Scale, *, width_px: float, wanted_px: float) -> str:
    """Return how to get a piece so many pixels wide that is ``width_px`` wide now.

    A photo that was shrunk on its way loses more than going nearer can bring; and nearer
    than a phone focuses, or than the card fits into the picture, helps nobody.
    """
    now_cm = camera_over(photo, scale).height_mm / 10
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
    return Problem(
        code="too_thin_in_photo",
        text=f"The piece is {seen} pixels wide in the photo; "
        f"at least {MIN_WIDTH_PX:g} are needed to measure it.",
        fix=closer_words(photo, scale, width_px=width_px, wanted_px=GOOD_WIDTH_PX),
    )
