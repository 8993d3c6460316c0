"""Where does a single strand of an opened cable lie apart from the rest?

Which pixels are metal is told afresh and finely, by the colours inside and outside the
piece's rough outline, which closes the gaps between strands. What is left is thinned to
lines and cut where lines meet: a limb between two meetings, or with a free end, that is
much longer than wide is one strand, or several side by side.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.pieces.centreline import CentreLine, even_steps, longest_path, neighbours, thinned
from vision.types import Float32Array, FloatArray, Image, Mask, Photo, Region

MARGIN_PX = 24
"""So much of the table is looked at around the piece's box, for its colours."""

MOST_LONG_SIDE_PX = 1200
"""Larger parts are looked at smaller: strands worth measuring stay 4 px wide and more."""

BINS = 32
COLOUR_SIGMA_BINS = 0.8
"""Colours are counted in so many boxes a channel, each spread over its neighbours."""

FEW_PIXELS = 1e-3
"""Added to each count, so that a colour seen nowhere tells nothing."""

ROUNDS = 3
"""The rough outline holds table; its share is weighed out in so many rounds."""

GROUND_SIGMA_PX = 40.0
GROUND_STEP = 4
"""The table's own colour is a mean over so many px, from each fourth pixel."""

AROUND_PX = 2
"""Table is what lies farther than this from the rough outline."""

SMOOTH_PX = 0.6
SMOOTH_P_PX = 1.0

LEAST_P = 0.5
NEAR_PX = 15
"""A strand may stick out of the rough outline by so much, px of the looked-at part."""

PINHOLE_PX = 12

SPUR_RADII = 1.2
"""A free end shorter than so many half-widths, where it leaves, is a ragged rim."""

TRUNK_SHARE = 0.6

LEAST_LINE_PX = 8
MIN_LENGTH_WIDTHS = 5.0

SMOOTH_RADII, LEAST_SMOOTH_PX = 1.5, 2.0
"""A limb's line is smoothed over so many half-widths: strands bend gently."""

SIDE_RADII, SIDE_PX = 2.0, 2.0
"""How far from a limb's middle the table is looked for, half-widths and px."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limb:
    """A stretch of the piece that lies alone.

    Attributes:
        line: Along its middle.
        free: Whether one of its ends meets nothing else.
        clear: Share of its length with the table to both sides by the piece's outline too.
    """

    line: CentreLine
    free: bool
    clear: float

    @property
    def width_px(self) -> float:
        """Rough width."""
        return 2 * self.line.radius_px

    @property
    def length_px(self) -> float:
        """Length of its line."""
        return self.line.length_px


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fan:
    """The limbs of a piece.

    Attributes:
        limbs: What lies alone, longest first.
        widest_px: Diameter of the largest disc that fits in the metal.
        trunk_widths: Length of what is nearly as wide, in those: where two wires cross it
            is short.
    """

    limbs: tuple[Limb, ...]
    widest_px: float
    trunk_widths: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Part:
    """What is looked at: a part of the photo, the piece's outline in it, where it lies in
    the photo and how many photo pixels a pixel of it is."""

    rgb: Image
    mask: Mask
    corner_px: tuple[int, int]
    factor: float


def find_fan(photo: Photo, region: Region) -> Fan:
    """Return the middle lines of what lies alone about a piece.

    Args:
        photo: The photo.
        region: The piece; its mask may close the gaps between strands.
    """
    part = _part(photo, region)
    if part.mask.all() or not part.mask.any():
        return Fan(limbs=(), widest_px=0.0)
    return _limbs(_connected(metal_p(part.rgb, part.mask), part.mask), part)


def _part(photo: Photo, region: Region) -> _Part:
    x, y, w, h = region.box_px
    left, top = max(0, x - MARGIN_PX), max(0, y - MARGIN_PX)
    right, bottom = min(photo.width_px, x + w + MARGIN_PX), min(photo.height_px, y + h + MARGIN_PX)
    rgb: Image = photo.rgb[top:bottom, left:right]
    inside: NDArray[np.uint8] = np.zeros(rgb.shape[:2], np.uint8)
    inside[y - top : y - top + h, x - left : x - left + w] = region.mask
    factor = max(1.0, max(inside.shape) / MOST_LONG_SIDE_PX)
    if factor > 1:
        size = (round(inside.shape[1] / factor), round(inside.shape[0] / factor))
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
        inside = np.asarray(cv2.resize(inside, size, interpolation=cv2.INTER_NEAREST), np.uint8)
    return _Part(rgb=rgb, mask=inside > 0, corner_px=(left, top), factor=factor)


def metal_p(rgb: Image, mask: Mask) -> Float32Array:
    """Return ``(h, w)`` how likely each pixel is metal, by the colours in and off a mask.

    The mask may hold table: a colour that is as common off it as in it is table.

    Args:
        rgb: ``(h, w, 3)`` uint8.
        mask: ``(h, w)`` bool, the piece roughly.
    """
    size = 2 * AROUND_PX + 1
    away = cv2.dilate(mask.astype(np.uint8), np.ones((size, size), np.uint8)) == 0
    smooth = cv2.GaussianBlur(rgb, (0, 0), SMOOTH_PX).astype(np.float32)
    colour = _colour_boxes(smooth - _ground(smooth, away))
    outside = _histogram(colour[away])
    p = mask.astype(np.float32)
    for _ in range(ROUNDS):
        inside = _histogram(colour[mask], p[mask])
        p = (inside / (inside + outside))[colour]
    return np.asarray(cv2.GaussianBlur(p, (0, 0), SMOOTH_P_PX))


def _ground(smooth: Float32Array, away: Mask) -> Float32Array:
    """Return the table's colour at each pixel: a wide mean over what is off the mask."""
    small = smooth[::GROUND_STEP, ::GROUND_STEP]
    known = away[::GROUND_STEP, ::GROUND_STEP].astype(np.float32)
    mean = (small * known[..., None]).sum(axis=(0, 1)) / max(float(known.sum()), 1.0)
    sigma = GROUND_SIGMA_PX / GROUND_STEP
    weight = cv2.GaussianBlur(known, (0, 0), sigma) + FEW_PIXELS
    light = cv2.GaussianBlur((small - mean) * known[..., None], (0, 0), sigma)
    ground = light / weight[..., None] + mean
    size = (smooth.shape[1], smooth.shape[0])
    return np.asarray(cv2.resize(ground, size, interpolation=cv2.INTER_LINEAR))


def _colour_boxes(away: Float32Array) -> NDArray[np.intp]:
    """Return the number of each pixel's box among colours about the table's.

    By square roots: fine boxes near the table's colour, coarse ones far from it.
    """
    step = np.sign(away) * np.sqrt(np.abs(away) / 255)
    box = np.clip((step + 1) / 2 * BINS, 0, BINS - 1).astype(np.intp)
    number: NDArray[np.intp] = (box[..., 0] * BINS + box[..., 1]) * BINS + box[..., 2]
    return number


def _histogram(colour: NDArray[np.intp], weight: Float32Array | None = None) -> Float32Array:
    counts = np.bincount(colour, weights=weight, minlength=BINS**3).astype(np.float32)
    share = _smooth_cube(counts.reshape(BINS, BINS, BINS)).ravel() + np.float32(FEW_PIXELS)
    return np.asarray(share / share.sum())


def _smooth_cube(cube: Float32Array) -> Float32Array:
    """Smooth along each axis in turn: as SciPy does (to 1e-5), which takes long to import."""
    for axis in range(3):
        flat = np.ascontiguousarray(np.moveaxis(cube, axis, 0)).reshape(BINS, -1)
        flat = cv2.GaussianBlur(
            flat, (0, 0), sigmaX=1e-6, sigmaY=COLOUR_SIGMA_BINS, borderType=cv2.BORDER_REPLICATE
        ).astype(np.float32)
        cube = np.moveaxis(flat.reshape(BINS, BINS, BINS), 0, axis)
    return cube


def _connected(p: Float32Array, mask: Mask) -> Mask:
    """Return the largest metal thing near a mask, its pinholes filled."""
    size = 2 * NEAR_PX + 1
    near = cv2.dilate(mask.astype(np.uint8), np.ones((size, size), np.uint8)) > 0
    metal = ((p > LEAST_P) & near).astype(np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(1 - metal, connectivity=4)
    pinhole = (stats[:, cv2.CC_STAT_AREA] < PINHOLE_PX) & (np.arange(count) > 0)
    metal[pinhole[labels]] = 1
    count, labels, stats, _ = cv2.connectedComponentsWithStats(metal, connectivity=8)
    if count < 2:
        return np.zeros_like(mask)
    return np.asarray(labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA])))


def _ways_out() -> NDArray[np.uint8]:
    """Return how many lines leave a pixel for each code of its neighbours: ``(256,)``."""
    bits = np.arange(256)[:, None] >> np.arange(8) & 1
    begins = (bits == 0) & (np.roll(bits, -1, axis=1) == 1)
    return np.asarray(begins.sum(axis=1), np.uint8)


_WAYS_OUT = _ways_out()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Cut:
    """A thin line, cut where lines meet: which limb each pixel is of (0 for none), the box
    and pixels of each, which of them end freely, and where they meet."""

    labels: NDArray[np.int32]
    stats: NDArray[np.int32]
    free: NDArray[np.bool_]
    meeting: NDArray[np.uint8]


def _cut(thin: NDArray[np.uint8]) -> _Cut:
    ways = np.where(thin > 0, _WAYS_OUT[neighbours(thin)], 0)
    square = np.ones((3, 3), np.uint8)
    meeting = np.asarray(cv2.dilate((ways > 2).astype(np.uint8), square), np.uint8)
    alone = np.asarray(thin * (1 - meeting), np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(alone, connectivity=8)
    free: NDArray[np.bool_] = np.zeros(count, np.bool_)
    free[np.unique(labels[(ways == 1) & (alone > 0)])] = True
    return _Cut(
        labels=np.asarray(labels, np.int32),
        stats=np.asarray(stats, np.int32),
        free=free,
        meeting=meeting,
    )


def _without_spurs(thin: NDArray[np.uint8], distance: FloatArray) -> NDArray[np.uint8]:
    """Return a thin line without the short free ends that a ragged rim grows."""
    for _ in range(2):
        cut = _cut(thin)
        reach = cv2.dilate(distance * cut.meeting, np.ones((5, 5), np.uint8))
        radius = np.zeros(len(cut.stats), np.float32)
        np.maximum.at(radius, cut.labels.ravel(), reach.ravel())
        spur = cut.free & (radius > 0)
        spur &= cut.stats[:, cv2.CC_STAT_AREA] < SPUR_RADII * radius + 1
        spur[0] = False
        if not spur.any():
            break
        thin = thinned(np.where(spur[cut.labels], 0, thin).astype(np.uint8))
    return thin


def _limbs(metal: Mask, part: _Part) -> Fan:
    solid = np.pad(metal, 2).astype(np.uint8)
    distance = np.asarray(cv2.distanceTransform(solid, cv2.DIST_L2, 5), np.float32)
    thin = _without_spurs(thinned(solid), distance)
    cut = _cut(thin)
    widest = max(2 * float(distance.max()) - 1, 0.0)
    trunk_px = np.count_nonzero((thin > 0) & (2 * distance - 1 > TRUNK_SHARE * widest))
    found = []
    for number, (x, y, w, h, pixels) in enumerate(cut.stats):
        if number == 0 or pixels < LEAST_LINE_PX:
            continue
        own = (cut.labels[y : y + h, x : x + w] == number).astype(np.uint8)
        line = _line(longest_path(own) + (x, y), distance, part)
        if line is not None:
            clear = _clear_share(line, part)
            found.append(Limb(line=line, free=bool(cut.free[number]), clear=clear))
    return Fan(
        limbs=tuple(sorted(found, key=lambda limb: -limb.length_px)),
        widest_px=widest * part.factor,
        trunk_widths=trunk_px / max(widest, 1.0),
    )


def _line(path: NDArray[np.int64], distance: FloatArray, part: _Part) -> CentreLine | None:
    """Return the smooth line along a path of the padded part, None where it is short."""
    if len(path) < LEAST_LINE_PX:
        return None
    radii = distance[path[:, 1], path[:, 0]].astype(np.float64)
    radius = float(np.median(radii))
    if len(path) < MIN_LENGTH_WIDTHS * (2 * radius - 1):
        return None
    # The disc that fits at a meeting is larger than the limb; at a free end it is smaller.
    trim = round(radius)
    kept = slice(trim, len(path) - trim)
    smooth = max(LEAST_SMOOTH_PX, SMOOTH_RADII * radius)
    steps = even_steps(path[kept].astype(np.float64), radii[kept], smooth, 1.0)
    if steps is None:
        return None
    points, tangents, radii = steps
    return CentreLine(
        points_px=(points - 2 + 0.5) * part.factor - 0.5 + np.asarray(part.corner_px),
        tangents=tangents,
        radius_px=max(radius - 0.5, 0.5) * part.factor,
        radii_px=(radii - 0.5) * part.factor,
        step_px=part.factor,
    )


def _clear_share(line: CentreLine, part: _Part) -> float:
    reach = SIDE_RADII * line.radius_px + SIDE_PX
    out = np.ones(len(line.points_px), bool)
    height, width = part.mask.shape
    for side in (-reach, reach):
        at = (line.points_px + side * line.normals - part.corner_px) / part.factor
        x = np.clip(np.rint(at[:, 0]).astype(int), 0, width - 1)
        y = np.clip(np.rint(at[:, 1]).astype(int), 0, height - 1)
        out &= ~part.mask[y, x]
    return float(out.mean())
