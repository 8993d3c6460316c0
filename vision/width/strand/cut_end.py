"""How many strands, and how thick, on a photo of a cable's cut end?

The strand ends are discs of one size, packed side by side. Their size is the scale
at which the photo answers best to "a bright disc this big, everywhere"; each disc is
then measured by the edge around it, and the middle one of all says the diameter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import sqrt

import cv2
import numpy as np

from rules.findings import Measurement, Unit
from vision.photo.colour import to_linear
from vision.problems import photo_error
from vision.types import Float32Array, FloatArray, Image, Mask, Photo, Region, Scale

WORK_RADIUS_PX = 10.0
"""Discs are sought on copies shrunk until they have this radius: fine enough for the
gaps between touching discs (15 % of a radius) to survive, and quick."""

LADDER = 1.12
"""Step between the sizes tried; half a step is then refined by the edges."""

MIN_DIAMETER_PX = 8.0
"""Below this the gaps between touching strands close up."""

LEAST_RADIUS_PX = 3.0
"""Smallest disc sought: under :data:`MIN_DIAMETER_PX`, so that strands too small are
seen to be so rather than taken in threes for one."""

NEIGHBOUR = (0.85, 1.3)
"""Centres of touching strands are one diameter apart; loose or slanted ones a little
more, and a disc is found to a tenth of its size."""

MOST_ACROSS = 30
"""Finer strands than 30 across the picture are not counted one by one."""

MOST_ENDS = 400
"""The strongest so many discs are enough to tell a size by."""

LEAST_PACKED = 5
"""7 strands are the fewest of common cable; two of them may be missed."""

APART, APART_U_REL = 1.015, 0.03
"""Distance of neighbouring ends over their diameter. Rendered faces have 1.01 to 1.06
between layers, and the nearest of several neighbours lies nearer; real ones are assumed
alike."""

EDGE_U_PX = 0.7
"""Edges of touching ends: 0.9 to 1.0 px too thin on three rendered faces of 8 to 13 px a
strand, 0 on drawn ones."""

RAYS = 32
MIN_RAY_SUPPORT = 0.4
"""Share of rays that must meet an edge: touching neighbours hide some."""

CUT_LEVEL_U_MM = 3.0
"""Standard uncertainty of how level the cut face lies with the reference's face, which the
photo is to be taken with. Assumed for things held level by eye; no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StrandEnds:
    """The strand ends found on a cut face, in photo pixels.

    Attributes:
        centres_px: ``(n, 2)`` of the discs that were measured.
        diameters_px: ``(n,)`` of the same discs.
        count: How many ends were seen, measured or not.
        spacing_px: Median distance from a packed end to its nearest neighbour; None
            where none lie packed.
    """

    centres_px: FloatArray
    diameters_px: FloatArray
    count: int
    spacing_px: float | None = None

    @property
    def diameter_px(self) -> float:
        """The strand's diameter by edge and by spacing, each by its doubt.

        Edges of touching ends blur together and lie up to a pixel too far in; centres
        stay where they are, but strands lie a little apart.
        """
        edge = float(np.median(self.diameters_px))
        if self.spacing_px is None:
            return edge
        packed = self.spacing_px / APART
        edge_weight, packed_weight = 1 / EDGE_U_PX**2, 1 / (APART_U_REL * packed) ** 2
        return (edge * edge_weight + packed * packed_weight) / (edge_weight + packed_weight)

    @property
    def u_px(self) -> float:
        """Standard uncertainty of the diameter, at least the scatter between discs."""
        n = len(self.diameters_px)
        middle = float(np.median(self.diameters_px))
        spread = 1.4826 * float(np.median(np.abs(self.diameters_px - middle)))
        weight = 1 / EDGE_U_PX**2
        if self.spacing_px is not None:
            weight += 1 / (APART_U_REL * self.spacing_px) ** 2
        return max(1.2533 * spread / sqrt(n), sqrt(1 / weight))


def detect_strand_ends(rgb: Image, *, inside: Mask | None = None) -> StrandEnds:
    """Find the strand ends on a picture of a cut face.

    Args:
        rgb: ``(h, w, 3)`` uint8, the cut face and a little around it.
        inside: ``(h, w)`` where strands may be; None for everywhere.

    Raises:
        PhotoError: ``no_strand_ends``: fewer than one disc of any size stood out.
    """
    light = _evened(rgb)
    mask = np.ones(light.shape, bool) if inside is None else inside
    found = _best_size(light, mask)
    if found is None:
        raise photo_error("no_strand_ends")
    radius, centres = found
    radius = _settled_radius(light, centres, radius)
    centres, answers = _discs_of_radius(light, mask, radius)
    packed = _packed(centres, answers, radius)
    if packed.any():
        centres = centres[packed]
    measured = [_measure_disc(light, centre, radius) for centre in centres]
    kept = [(c, d) for c, d in measured if d is not None]
    if not kept:
        raise photo_error("no_strand_ends")
    diameters = np.array([d for _, d in kept])
    middle = float(np.median(diameters))
    alike = np.abs(diameters / middle - 1) < 0.25
    places = np.array([c for c, _ in kept])[alike]
    return StrandEnds(
        centres_px=places,
        diameters_px=diameters[alike],
        count=len(centres),
        spacing_px=_spacing(places) if packed.any() and len(places) > 2 else None,
    )


def _spacing(centres: FloatArray) -> float:
    apart = np.linalg.norm(centres[:, None] - centres[None, :], axis=2)
    np.fill_diagonal(apart, np.inf)
    return float(np.median(apart.min(axis=1)))


def _best_size(light: Float32Array, mask: Mask) -> tuple[float, FloatArray] | None:
    """Return the radius at which discs answer best, and their centres.

    Discs that lie packed go before any that don't: a whole bundle in its dark jacket
    answers more than one strand, but nothing lies beside it.
    """
    best: tuple[bool, float, float, FloatArray] | None = None
    radius = max(LEAST_RADIUS_PX, min(light.shape) / (2 * MOST_ACROSS))
    while radius < min(light.shape) / 2.2:
        centres, answers = _discs_of_radius(light, mask, radius)
        packed = _packed(centres, answers, radius)
        together = bool(packed.any())
        if together:
            centres, answers = centres[packed], answers[packed]
        # Discs of the right size answer most; a few stray sparkles cover too little.
        covered = len(centres) * np.pi * radius**2 / max(1.0, float(mask.sum()))
        score = float(answers.mean()) * min(1.0, covered / 0.1) if len(centres) else 0.0
        if len(centres) and (best is None or (together, score) > best[:2]):
            best = (together, score, radius, centres)
        radius *= LADDER
    return None if best is None else (best[2], best[3])


def _packed(centres: FloatArray, answers: FloatArray, radius: float) -> Mask:
    """Return which discs belong to the strongest group that touch, none under three."""
    n = len(centres)
    if n > MOST_ENDS:
        kept = np.argsort(-answers)[:MOST_ENDS]
        packed = np.zeros(n, bool)
        packed[kept] = _packed(centres[kept], answers[kept], radius)
        return packed
    apart = np.linalg.norm(centres[:, None] - centres[None, :], axis=2) / (2 * radius)
    beside = (apart > NEIGHBOUR[0]) & (apart < NEIGHBOUR[1])
    inner = beside.sum(axis=1) >= 2
    beside &= inner[None, :] & inner[:, None]
    left, best = inner.copy(), np.zeros(n, bool)
    while left.any():
        group = np.zeros(n, bool)
        fresh = np.zeros(n, bool)
        fresh[np.flatnonzero(left)[0]] = True
        while fresh.any():
            group |= fresh
            fresh = beside[fresh].any(axis=0) & ~group
        left &= ~group
        if group.sum() >= LEAST_PACKED and answers[group].sum() > answers[best].sum():
            best = group
    return best


def _settled_radius(light: Float32Array, centres: FloatArray, radius: float) -> float:
    """Return the middle measured radius: the ladder's own step is too coarse to count by."""
    sizes = [d for _, d in (_measure_disc(light, c, radius) for c in centres) if d is not None]
    return float(np.median(sizes)) / 2 if sizes else radius


def measure_cut_end(photo: Photo, region: Region, scale: Scale) -> tuple[Measurement, StrandEnds]:
    """Return the diameter of one strand in mm from a photo of the cut face.

    Raises:
        PhotoError: ``no_strand_ends`` or ``strand_too_small``.
    """
    x, y, w, h = region.box_px
    pad = max(4, round(0.03 * max(w, h)))
    x0, y0 = max(0, x - pad), max(0, y - pad)
    crop = photo.rgb[y0 : y + h + pad, x0 : x + w + pad]
    inside: Mask = np.zeros(crop.shape[:2], np.uint8)
    inside[y - y0 : y - y0 + h, x - x0 : x - x0 + w] = region.mask
    inside = cv2.dilate(inside, np.ones((2 * pad + 1, 2 * pad + 1), np.uint8))
    ends = detect_strand_ends(crop, inside=inside.astype(bool))
    if ends.spacing_px is None and ends.count > 1:
        # Several discs that don't lie packed are no strands side by side: on renders the
        # true ends were then 3 to 4 px and whole clumps of them were taken for one.
        raise photo_error("strand_too_small.ends", where=photo.name)
    if ends.diameter_px < MIN_DIAMETER_PX:
        raise photo_error(
            "strand_too_small",
            where=photo.name,
            width_px=ends.diameter_px,
            least_px=MIN_DIAMETER_PX,
        )
    moved = ends.centres_px + (x0, y0)
    shifted = replace(ends, centres_px=moved)
    return _in_mm(shifted, scale), shifted


def _in_mm(ends: StrandEnds, scale: Scale) -> Measurement:
    centre = ends.centres_px.mean(axis=0)
    half = ends.diameter_px / 2
    cross = np.array([[half, 0], [-half, 0], [0, half], [0, -half]]) + centre
    on_plane = scale.to_mm(cross)
    across = np.linalg.norm(on_plane[0] - on_plane[1]), np.linalg.norm(on_plane[2] - on_plane[3])
    value = float(max(across))
    away = float(scale.away_u_rel(centre[None])[0])
    parts = {
        "edges": ends.u_px / ends.diameter_px * value,
        "scale": scale.u_rel * value,
        "height": CUT_LEVEL_U_MM / scale.camera_mm[2] * value,
        "tilt": away * value,
    }
    return Measurement.normal(
        value, sqrt(sum(p * p for p in parts.values())), Unit.MILLIMETRE, budget=parts
    )


def _evened(rgb: Image) -> Float32Array:
    """Light over its wide mean, so that a lamp from one side doesn't pick the discs."""
    light = np.sqrt(to_linear(rgb).mean(axis=2))
    wide = cv2.GaussianBlur(light, (0, 0), max(light.shape) / 8)
    return np.asarray(light / np.maximum(wide, 0.02), np.float32)


def _discs_of_radius(
    light: Float32Array, mask: Mask, radius: float
) -> tuple[FloatArray, FloatArray]:
    """Return the centres of bright discs of one size and how strongly each answers."""
    shrink = min(1.0, WORK_RADIUS_PX / radius)
    size = (max(8, round(light.shape[1] * shrink)), max(8, round(light.shape[0] * shrink)))
    small = cv2.resize(light, size, interpolation=cv2.INTER_AREA) if shrink < 1 else light
    r = radius * shrink
    # Difference of a disc and the ring around it: flat light gives 0, a disc its contrast.
    span = int(np.ceil(1.5 * r)) + 1
    yy, xx = np.mgrid[-span : span + 1, -span : span + 1]
    distance = np.hypot(xx, yy)
    disc = np.clip(0.9 * r - distance + 0.5, 0, 1)
    ring = np.clip(1.18 * r - distance + 0.5, 0, 1) - np.clip(1.0 * r - distance + 0.5, 0, 1)
    kernel = disc / disc.sum() - ring / ring.sum()
    answer = cv2.filter2D(small, cv2.CV_32F, kernel)
    window = 2 * round(0.75 * r) + 1
    peak = (answer == cv2.dilate(answer, np.ones((window, window), np.uint8))) & (answer > 0.03)
    allowed = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    rows, columns = np.nonzero(peak & allowed)
    if len(rows) == 0:
        return np.zeros((0, 2)), np.zeros(0)
    strength = answer[rows, columns]
    strong = strength > 0.2 * np.quantile(strength, 0.9)
    centres = np.column_stack([columns, rows])[strong] + 0.5
    scale = np.array([light.shape[1] / size[0], light.shape[0] / size[1]])
    return centres * scale - 0.5, strength[strong]


def _measure_disc(
    light: Float32Array, centre: FloatArray, radius: float
) -> tuple[FloatArray, float | None]:
    """Return the centre and diameter of one disc by the falling edge around it."""
    angle = np.linspace(0, 2 * np.pi, RAYS, endpoint=False)
    for _ in range(2):  # once to centre, once to measure
        step = 0.25
        reach = np.arange(0.55 * radius, 1.45 * radius, step)
        x = centre[0] + np.outer(np.cos(angle), reach)
        y = centre[1] + np.outer(np.sin(angle), reach)
        rays = cv2.remap(
            light,
            x.astype(np.float32),
            y.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        fall = -np.gradient(cv2.GaussianBlur(rays, (0, 0), 0.6 / step, sigmaY=0.01), axis=1)
        at = fall[:, 2:-2].argmax(axis=1) + 2
        rows = np.arange(RAYS)
        left, mid, right = fall[rows, at - 1], fall[rows, at], fall[rows, at + 1]
        shift = np.clip(0.5 * (left - right) / np.minimum(left - 2 * mid + right, -1e-6), -1, 1)
        edge = reach[at] + shift * step
        # A ray into a touching neighbour falls little and late: keep the clear falls.
        clear = mid > 0.5 * np.quantile(mid, 0.8)
        if clear.mean() < MIN_RAY_SUPPORT:
            return centre, None
        points = np.column_stack([np.cos(angle), np.sin(angle)]) * edge[:, None]
        shift_xy, fitted = _circle(points[clear])
        centre = centre + np.clip(shift_xy, -0.5 * radius, 0.5 * radius)
        radius = float(np.clip(fitted, 0.7 * radius, 1.3 * radius))
    return centre, 2 * radius


def _circle(points: FloatArray) -> tuple[FloatArray, float]:
    """Robust algebraic circle (Kåsa 1976), reweighted so that stray edges count less."""
    weight = np.ones(len(points))
    design = np.column_stack([2 * points, np.ones(len(points))])
    target = (points**2).sum(axis=1)
    for _ in range(5):
        root = np.sqrt(weight)
        solved, *_ = np.linalg.lstsq(design * root[:, None], target * root, rcond=None)
        radius = sqrt(max(float(solved[2] + solved[0] ** 2 + solved[1] ** 2), 1e-6))
        miss = np.hypot(*(points - solved[:2]).T) - radius
        spread = max(1.4826 * float(np.median(np.abs(miss))), 0.05)
        weight = np.clip(1 - (miss / (3 * spread)) ** 2, 1e-3, 1) ** 2
    return solved[:2], radius
