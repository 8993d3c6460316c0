"""How thick is a solid wire or a tube?

Profiles across the centre line are averaged along short stretches; each stretch
gives two edges, and with them one width. Both edges go to the reference's plane, and
the cylinder that shows them there gives the diameter (:mod:`vision.cylinder`), so
tilt and height are settled stretch by stretch. A piece is as thick all along, so its
plain run is where most stretches agree: fittings, crossings and ends fall out.

Uncertainty after JCGM 100: how plain the edges are to the network; how far the width
found depends on the outline it started from; scatter along the piece with as many
independent stretches as its autocorrelation leaves; the scale; the camera's height; a
piece off the table.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from rules.findings import Form, Measurement, Unit
from vision.centreline import CentreLine, centre_line, smoothed
from vision.cylinder import diameter_of_cylinder
from vision.edge_net import (
    edge_logits,
    local_mean,
    log_probabilities,
    width_log_probabilities,
    window_offsets,
)
from vision.profiles import Strip, averaged, sample_at
from vision.types import FloatArray, Photo, Problem, Region, Scale
from vision.winding import is_wound

Flags = NDArray[np.bool_]

MIN_WIDTH_PX = 8.0
"""Measured width below which nothing is said. Blur and JPEG make thin wire look wide: of
9 rendered pieces measured at 6 to 9 px, found outlines, true widths were 3.5 to 8 px and
the interval held 3. Two-edge models scatter below 6 px in any case (drawn wires)."""

GOOD_WIDTH_PX = 12.0
"""What "go closer" aims at: twice the least."""

MAX_STRETCHES = 24
"""Stretches a piece is cut into; more of them are no more independent of each other."""

FIRST_STRETCHES = 8
"""The first look only finds the middle and about how wide the piece is."""

PROFILES_PER_STRETCH = 8

AGREE_REL = 0.04
"""Stretches within this of the mode belong to the plain run ..."""

AGREE_PX = 0.8
"""... or within this, where pixels are coarser."""

FITTING_LOG = 0.12
"""A fitting is thicker than its tube by this and more: twice a wall of 0.8 mm and the gap
on a 15 mm tube (EN 1254-1, from memory) are 12 %; nuts are half as thick again."""

FITTED_SUPPORT = 0.5

LEAST_FITTED_MM = 5.0
"""Nothing thinner carries a fitting: tube in the trade starts at 6 mm (EN 1057)."""

PLAIN_PX, VAGUE_PX = 0.15, 0.7
"""Standard uncertainty of a width, px: what plain edges leave, and what is added at a score
of ``VAGUE_SCORE``, falling by e for each ``SCORE_STEP`` more. With ``SPREAD_SHARE`` and
``EDGES_REL`` set on 70 found wires and tubes of 145 renders (2026-11-25), whose errors they
were looked at with: the 95 % interval held 96 % of those beside a card or a marker."""

VAGUE_SCORE, SCORE_STEP = 3.0, 2.0
SCORE_RANGE = (1.0, 9.0)

SPREAD_SHARE, SPREAD_MORE = 0.3, 0.5
SPREAD_WIDE = 0.2
"""Share of the spread between starts that counts as standard uncertainty, and what is added
where the spread reaches this part of the width: then a shadow may be in it."""

EDGES_REL = 0.006
"""What is left on wide pieces, whose error no longer shrinks with their pixels: dents,
ovals, a rim that mirrors the table."""

MOST_AGREE = 0.75
FEW_AGREE_REL = 0.1
"""Relative standard uncertainty where hardly any stretches agree, falling to none where
``MOST_AGREE`` of them do: 4 % at 0.45. Ten rendered pieces of which less than half agreed
were off by 4 % in the median, others by 1 %."""

MASK_DOUBT = (0.10, 1.5)
"""How far an outline's edge may be off: a share of the width and some px. Outlines take in
shadow and lose dull rims; the network alone takes a neighbour's edge for the piece's."""

FIRST_LOOK_DOUBT = (0.08, 1.0)
"""The same for the edges that the first look found, over the whole piece."""

MIN_STRETCHES = 3

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
        spread_px: How far apart the widths are that were found from different starts.
        plainness: Median of the network's score at the edges: 8 and more for plain ones.
    """

    left_px: FloatArray
    right_px: FloatArray
    widths_px: FloatArray
    width_logs: FloatArray
    spread_px: float
    plainness: float

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
            spread_px=self.spread_px,
            plainness=self.plainness,
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
    if kept.sum() < MIN_STRETCHES:
        return _refusal(_no_edges(), width_px)
    edges = edges.only(kept)
    return DiameterReading(
        diameter=combined(diameters[kept], edges, photo, scale, agreeing=float(kept.mean())),
        width_px=float(np.median(edges.width_px)),
        lines_px=np.stack([edges.left_px, edges.right_px], axis=1),
    )


def find_edges(photo: Photo, line: CentreLine) -> Edges | None:
    """Return both edges along a line, looked for from three widths the outline allows.

    A short look from each, a second from the middle of what they found, then a full one.
    Where edges are plain all agree.
    """
    outline = max(2 * line.radius_px, 3.0)
    doubt = MASK_DOUBT[0] * outline + MASK_DOUBT[1]
    found: list[_Look] = []
    for start in (outline, max(outline - doubt, 0.6 * outline), outline + doubt):
        look = _look(photo, line, start, FIRST_STRETCHES, MASK_DOUBT)
        if look is not None:
            found.append(look)
    if not found:
        return None
    widths = np.array([look.width_px for look in found])
    chosen = found[int(np.argsort(widths)[(len(widths) - 1) // 2])]
    again = _look(photo, chosen.line, chosen.width_px, FIRST_STRETCHES, MASK_DOUBT) or chosen
    last = _look(photo, again.line, again.width_px, MAX_STRETCHES, FIRST_LOOK_DOUBT)
    if last is None:
        return None
    return Edges(
        left_px=last.strip.at(last.found_px[:, 0])[last.both],
        right_px=last.strip.at(last.found_px[:, 1])[last.both],
        widths_px=np.arange(len(last.strip.offsets_px)) * last.strip.step_px,
        width_logs=width_log_probabilities(last.logs)[last.both],
        spread_px=float(np.ptp(np.append(widths, last.width_px))),
        plainness=last.plainness,
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
) -> _Look | None:
    """Look for both edges where this width has them, give or take the doubt."""
    strip = _stretches(photo, line, width_px, stretches)
    if len(strip.profiles) < MIN_STRETCHES:
        return None
    logits = edge_logits(strip, width_px=width_px)
    doubt_px = outline_doubt[0] * width_px + outline_doubt[1]
    logs = log_probabilities(logits + expectation(strip.offsets_px, width_px, doubt_px=doubt_px))
    found = np.stack([local_mean(np.exp(logs[..., k]), strip.offsets_px) for k in (0, 1)], axis=1)
    both = np.asarray(found[:, 1] > found[:, 0], dtype=bool)
    if both.sum() < MIN_STRETCHES:
        return None
    width = float(np.median(found[both, 1] - found[both, 0]))
    columns = np.abs(strip.offsets_px[None, :, None] - found[:, None, :]).argmin(axis=1)
    scores = np.take_along_axis(logits, columns[:, None, :], axis=1)[:, 0]
    return _Look(
        strip=strip,
        logs=logs,
        found_px=found,
        both=both,
        width_px=width,
        line=_recentred(line, strip, found, both, width / 2),
        plainness=float(np.median(scores.mean(axis=1))),
    )


def expectation(offsets_px: FloatArray, width_px: float, *, doubt_px: float) -> FloatArray:
    """Return ``(m, 2)``: how far left and right edge are expected where the outline has
    them, in logs up to a constant. Student's t with two degrees of freedom: a far better
    edge elsewhere still wins, an equal one beside the piece does not.
    """
    away = offsets_px[:, None] - np.array([-width_px / 2, width_px / 2])
    return np.asarray(-1.5 * np.log1p((away / doubt_px) ** 2 / 2), dtype=np.float64)


def _stretches(photo: Photo, line: CentreLine, width_px: float, stretches: int) -> Strip:
    """Return the straightened piece without its ends, averaged along short stretches."""
    every = max(1, int(np.ceil(len(line.points_px) / (PROFILES_PER_STRETCH * stretches))))
    trim = int(min(round(width_px / line.step_px), len(line.points_px) // 5))
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
    tangents = np.gradient(points, axis=0)
    tangents /= np.maximum(np.linalg.norm(tangents, axis=1, keepdims=True), 1e-12)
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
    is not square to it there once the camera is tilted."""
    middle = (left_mm + right_mm) / 2
    cut = right_mm - left_mm
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
    clearly thinner mode with half the support wins: elbows, nuts and sockets are thicker
    than the tube they sit on, and may be longer than what is seen of it.
    """
    logs = np.log(np.maximum(diameters, 1e-9))
    away = np.abs(logs[:, None] - logs[None, :])
    density = np.exp(-0.5 * (away / (tolerance_rel / 2)) ** 2).sum(axis=1)
    support = (away < tolerance_rel).sum(axis=1)
    mode = int(np.argmax(density))
    least = max(MIN_STRETCHES + 1, FITTED_SUPPORT * support[mode])
    thinner = (
        (logs < logs[mode] - FITTING_LOG) & (support >= least) & (diameters >= LEAST_FITTED_MM)
    )
    if thinner.any():
        mode = int(np.argmax(np.where(thinner, density, 0)))
    near = np.abs(logs - logs[mode]) < tolerance_rel
    centre = np.median(logs[near])
    return np.asarray(np.abs(logs - centre) < tolerance_rel, dtype=bool)


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


def edges_u_px(plainness: float) -> float:
    """Return the standard uncertainty of a width by how plain its edges are, px."""
    score = float(np.clip(plainness, *SCORE_RANGE))
    return PLAIN_PX + VAGUE_PX * exp(-(score - VAGUE_SCORE) / SCORE_STEP)


def layout_u_px(spread_px: float, width_px: float) -> float:
    """Return the standard uncertainty of a width by how far the starts' answers lie apart."""
    wide = min(1.0, spread_px / width_px / SPREAD_WIDE)
    return spread_px * (SPREAD_SHARE + SPREAD_MORE * wide)


def combined(
    diameters: FloatArray, edges: Edges, photo: Photo, scale: Scale, *, agreeing: float = 1.0
) -> Measurement:
    """Return the diameter with its uncertainty and its parts, from the plain run.

    Args:
        diameters: Of each stretch of the run, mm.
        edges: Of the same stretches.
        photo: For the camera, where the scale does not know it.
        scale: Pixels to mm.
        agreeing: Share of all stretches that belong to the run.
    """
    value = pooled(diameters, edges)
    n_eff = independent(diameters)
    mm_per_px = value / float(np.median(edges.width_px))
    scatter = 1.4826 * float(np.median(np.abs(diameters - np.median(diameters))))
    camera = camera_over(photo, scale)
    higher = diameters_mm(edges, photo, scale, camera_factor=1 + camera.u_rel)
    away = scale.away_u_rel((edges.left_px + edges.right_px) / 2)
    budget = {
        "edges": hypot(mm_per_px * edges_u_px(edges.plainness), EDGES_REL * value),
        "layout": mm_per_px * layout_u_px(edges.spread_px, float(np.median(edges.width_px))),
        "plain_run": value * FEW_AGREE_REL * max(0.0, MOST_AGREE - agreeing) / MOST_AGREE,
        "scatter": 1.2533 * scatter / sqrt(n_eff),  # a median is 25 % less sure than a mean
        "scale": value * scale.u_rel,
        "away_from_reference": value * float(np.mean(away)),
        "camera_height": abs(float(np.median(higher / diameters)) - 1) * value,
        "lift": LIFT_U_DIAMETERS * value * value / camera.height_mm,
    }
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


def _too_thin(photo: Photo, scale: Scale, width_px: float) -> Problem:
    """Say how thin the piece is in the photo and how close to go."""
    now_cm = camera_over(photo, scale).height_mm / 10
    closer_cm = now_cm * max(width_px, 0.5) / GOOD_WIDTH_PX
    return Problem(
        code="too_thin_in_photo",
        text=f"The piece is only {width_px:.1f} px wide in the photo; "
        f"at least {MIN_WIDTH_PX:g} px are needed to measure it.",
        fix=f"Move from about {now_cm:.0f} cm to about {max(closer_cm, 1):.0f} cm, "
        "or use more of the camera's resolution.",
    )
