"""Where printed square markers lie in the photo, to a few hundredths of a pixel."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from vision.photo.colour import linear_between
from vision.photo.reduced import halved, reduced
from vision.reference.edges import EdgeLine, fit_edge, intersect
from vision.reference.plane import UNIT_SQUARE, from_corners, mapped
from vision.types import Float32Array, FloatArray, Image, Photo

DICTIONARY = cv2.aruco.DICT_4X4_50
MODULES = 6  # 4 bits and a black border of one module on each side
# A marker of 60 px keeps 30 px on a 12-megapixel photo.
SEARCH_LONG_SIDE_PX = 2400
MIN_SIDE_PX = 24.0
"""Below, no scale is taken. Of 43 pieces beside markers of 24 to 36 px (rendered photos, reduced)
90 % are off by 0.3 % at most."""
MIN_PERIMETER_RATE = 4 * MIN_SIDE_PX / 4000
"""Of the longer side, as on 12 megapixels. On squared paper thousands of little squares are
compared with each other: 0.9 s instead of 4.4 with 0.02."""
GLANCE_LONG_SIDE_PX = 1200
Passes = tuple[int, int, int]
# Sides of the window that tells black from white: least, most, step. One pass finds what
# three find on 48 renders with markers, and on drawn ones from 18 px on; where it finds
# nothing, the three look again.
QUICK_PASSES: Passes = (13, 13, 1)
THOROUGH_PASSES: Passes = (7, 31, 12)
# A bit pattern read by chance from a dark square must still look like the marker all
# over. Drawn markers blurred by a fifth of a module reach 0.9; a shadow takes some of it.
MIN_CORRELATION = 0.80
# In the middle of a cell nothing changes. On a photo of 6x6 markers one was misread as
# 4x4 with 0.89 of correlation, but 17 % of its cells held both black and white; drawn
# 4x4 markers have none.
CORE_SHARE = 0.6
MIXED_STEP = 0.5  # of the marker's own contrast
MAX_MIXED_SHARE = 0.09
MIN_SIDE_SUPPORT = 0.5
# Below so many of its own doubts a spread of white is chance, and left alone.
MIN_SPREAD_SIGMAS = 3.0
MIN_INNER_BORDERS = 6
# Inner borders are read as the sides are (edges.py), under a window of about the blur:
# a wide one gathers noise, of which white has more than black.
BORDER_REACH_MODULES = 0.45
BORDER_STEP_PX = 0.5
BORDER_WINDOW_PX = 0.8
RIM_MODULES = 0.5  # of the white rim, looked at with the square
CANONICAL_PX = 6  # samples a module when a marker is compared with its pattern
CLIPPED_LINEAR = 0.955  # code 250
QUIET_FROM_MODULES = 0.25
QUIET_TO_MODULES = 0.85


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marker:
    """One marker as seen.

    Attributes:
        id: Its number in the dictionary.
        corners_px: ``(4, 2)``, clockwise from the marker's own upper left.
        u_px: Standard uncertainty of a corner coordinate.
        edge_rms_px: Scatter of edge points about the fitted sides.
        side_px: Mean length of a side.
        blur_px: Standard deviation of the blur of its edges.
        white: ``(3,)`` linear light of the paper around it, None where clipped.
    """

    id: int
    corners_px: FloatArray
    u_px: float
    edge_rms_px: float
    side_px: float
    blur_px: float
    white: FloatArray | None


def detect_markers(photo: Photo, *, hoped_for: int = 1) -> tuple[Marker, ...]:
    """Find all DICT_4X4_50 markers, largest first.

    The search runs on a reduced copy; the sides are then fitted in linear light at
    full resolution.

    Args:
        photo: The photo.
        hoped_for: A quick look that finds so many is not followed by a thorough one.
    """
    found: list[Marker] = []
    for passes in (QUICK_PASSES, THOROUGH_PASSES):
        if len(found) < hoped_for:
            squares, factor = _squares(photo, passes, at_most_px=SEARCH_LONG_SIDE_PX)
            refined = [_refine(photo.rgb, *one, rough_u_px=factor) for one in squares]
            found = [marker for marker in refined if marker is not None]
    return tuple(sorted(found, key=lambda marker: -marker.side_px))


def has_large_markers(photo: Photo) -> bool:
    """Return whether any marker shows at a glance: on a copy that takes a sixth of the time.

    Drawn markers are found from 18 px on there, so 72 px of a 12-megapixel photo.
    """
    squares, _ = _squares(photo, QUICK_PASSES, at_most_px=GLANCE_LONG_SIDE_PX)
    return len(squares) > 0


def _squares(
    photo: Photo, passes: Passes, *, at_most_px: int
) -> tuple[list[tuple[FloatArray, int]], float]:
    """Corners and number of each square that can be read on a reduced copy.

    Also photo pixels a pixel of the copy. Squares whose bits can't be read, for blur or for a
    piece over some, were compared with all markers as a whole once: of 98 rendered photos with
    markers one more was found by that.
    """
    small, factor = halved(photo.rgb, at_most_px=at_most_px)
    if max(small.shape[:2]) > 1.5 * at_most_px:  # odd sides
        small, factor = reduced(photo.rgb, at_most_px)
    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY)
    quads, ids, _ = _detector(passes).detectMarkers(grey)
    squares = [
        ((np.reshape(quad, (4, 2)).astype(float) + 0.5) * factor - 0.5, int(number))
        for quad, number in zip(quads, np.ravel(ids if len(quads) else []), strict=True)
    ]
    return squares, factor


@lru_cache(maxsize=2)
def _detector(passes: Passes) -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    parameters.minMarkerPerimeterRate = MIN_PERIMETER_RATE
    (
        parameters.adaptiveThreshWinSizeMin,
        parameters.adaptiveThreshWinSizeMax,
        parameters.adaptiveThreshWinSizeStep,
    ) = passes
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY), parameters)


@lru_cache(maxsize=64)
def marker_bits(number: int) -> Image:
    """Return the ``(6, 6)`` pattern of a marker, 0 black and 255 white, border included."""
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    pattern = np.zeros((MODULES, MODULES), np.uint8)
    cv2.aruco.generateImageMarker(dictionary, number, MODULES, pattern, 1)
    return pattern


def _refine(rgb: Image, rough: FloatArray, number: int, *, rough_u_px: float) -> Marker | None:
    corners = rough
    edges: list[EdgeLine] = []
    for most_px in (3.0 * rough_u_px + 3.0, 0.0):
        edges = []
        side = _mean_side(corners)
        reach = float(np.clip(0.45 * side / MODULES, 2.5, max(most_px, 6.0)))
        for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            inset = 0.06 * (end - start)
            edge = fit_edge(rgb, start + inset, end - inset, half_width_px=reach)
            if edge is None or edge.support < MIN_SIDE_SUPPORT:
                return None
            edges.append(edge)
        met = [intersect(edges[i - 1], edges[i]) for i in range(4)]
        corners = np.array([corner for corner, _ in met])
    if np.abs(corners - rough).max() > max(6.0, 4 * rough_u_px, 0.08 * side):
        return None
    if pattern_correlation(rgb, corners, number) < MIN_CORRELATION:
        return None
    if mixed_cells(rgb, corners) > MAX_MIXED_SHARE:
        return None
    blur_px = float(np.median([edge.blur_px for edge in edges]))
    spread, u_spread = white_spread(rgb, corners, number, blur_px=blur_px)
    if abs(spread) > MIN_SPREAD_SIGMAS * u_spread:
        corners = outward(corners, spread * MODULES / (MODULES - 2 * spread))
    else:
        u_spread = 0.0
    side = _mean_side(corners)
    return Marker(
        id=number,
        corners_px=corners,
        u_px=float(np.hypot(np.sqrt(np.mean([u**2 for _, u in met])), u_spread * side / MODULES)),
        edge_rms_px=float(np.sqrt(np.mean([edge.rms_px**2 for edge in edges]))),
        side_px=_mean_side(corners),
        blur_px=blur_px,
        white=paper_white(rgb, corners),
    )


def white_spread(
    rgb: Image, corners: FloatArray, number: int, *, blur_px: float
) -> tuple[float, float]:
    """Return how far white has spread over black at every border, in modules, and its doubt.

    Where paper is overexposed, a blurred border seems to lie inside the black by up to
    a pixel, and so does the outer square that the scale comes from. Inside the marker the
    same happens at borders that face both ways, against a grid whose pitch is known:
    with the outer square drawn in by d, a border at b modules is seen at b - 2d + b d/3
    where white follows black, and at b + b d/3 where black follows white.
    """
    bits = np.pad(marker_bits(number) > 0, 1, constant_values=True)
    module_px = _mean_side(corners) / MODULES
    half = int(np.clip(np.ceil(BORDER_REACH_MODULES * module_px / BORDER_STEP_PX), 9, 48))
    across = np.linspace(-BORDER_REACH_MODULES, BORDER_REACH_MODULES, 2 * half + 1)
    window = max(blur_px, BORDER_WINDOW_PX) / module_px
    beside = np.linspace(-0.25, 0.25, int(np.clip(round(module_px / 4), 5, 13)))
    shifts, slopes = [], []
    for turned in (False, True):
        cells = (bits.T if turned else bits)[1:-1]  # rows of the square, white at both ends
        row, border = np.nonzero(cells[:, 1:-2] != cells[:, 2:-1])
        if len(row) == 0:
            continue
        border = border + 1  # modules from the square's first side
        u = np.broadcast_to(
            border[:, None, None] + across[None, :, None], (len(row), len(across), len(beside))
        )
        v = np.broadcast_to(row[:, None, None] + 0.5 + beside[None, None, :], u.shape)
        seen = _look(rgb, corners, *((v, u) if turned else (u, v))).mean(axis=(2, 3))
        rising = cells[row, border + 1]
        change = np.diff(seen, axis=1) * np.where(rising, 1, -1)[:, None]
        shifts.append(_border_places(change, (across[:-1] + across[1:]) / 2, window))
        slopes.append(np.where(rising, -2.0, 0.0) + border / 3)
    if sum(map(len, shifts)) < MIN_INNER_BORDERS:
        return 0.0, 0.0
    shift, slope = np.concatenate(shifts), np.concatenate(slopes)
    spread = float(shift @ slope / (slope @ slope))
    misfit = float(np.sqrt(np.mean((shift - spread * slope) ** 2)))
    return spread, misfit / float(np.sqrt(slope @ slope))


def _border_places(change: FloatArray, at: FloatArray, window: float) -> FloatArray:
    """Where each border lies: the centroid of its change under a sliding window.

    Change against the expected way counts too: bright paper has more noise than black
    ink, and with its half left out the rest would draw every border into the white.
    """
    near = change @ np.exp(-0.5 * ((at[:, None] - at[None, :]) / window) ** 2)
    place: FloatArray = at[near.argmax(axis=1)]
    for _ in range(8):
        weight = change * np.exp(-0.5 * ((at[None, :] - place[:, None]) / window) ** 2)
        total = weight.sum(axis=1)
        seen = total > 1e-9
        moved = np.divide(weight @ at, total, out=place.copy(), where=seen)
        place = np.clip(moved, at[0], at[-1])
    return place


def _mean_side(corners: FloatArray) -> float:
    return float(np.hypot(*(np.roll(corners, -1, axis=0) - corners).T).mean())


def _canonical(corners: FloatArray) -> FloatArray:
    """Pixels from modules: (0, 0) to (6, 6) is the black square."""
    return from_corners(MODULES * UNIT_SQUARE, corners)


def outward(corners: FloatArray, modules: float) -> FloatArray:
    """The square with every side moved outward by so many modules."""
    wide = np.where(UNIT_SQUARE > 0, MODULES + modules, -modules)
    return mapped(wide, _canonical(corners))


def _look(rgb: Image, corners: FloatArray, u: FloatArray, v: FloatArray) -> Float32Array:
    """Linear light at positions given in modules."""
    return linear_between(rgb, mapped(np.stack([u, v], axis=-1), _canonical(corners)))


def pattern_correlation(rgb: Image, corners: FloatArray, number: int) -> float:
    """Return how well the square and its white rim look like the marker, -1 to 1."""
    count = round((MODULES + 2 * RIM_MODULES) * CANONICAL_PX)
    places = (np.arange(count) + 0.5) / CANONICAL_PX - RIM_MODULES
    seen = np.sqrt(_look(rgb, corners, *np.meshgrid(places, places)).mean(axis=-1))
    padded = np.pad(marker_bits(number), 1, constant_values=255).astype(float)
    index = np.floor(places).astype(int) + 1
    return float(np.corrcoef(seen.ravel(), padded[np.ix_(index, index)].ravel())[0, 1])


def mixed_cells(rgb: Image, corners: FloatArray) -> float:
    """Return the share of the 6 by 6 cells that hold both black and white, 0 to 1."""
    within = (np.arange(5) / 4 - 0.5) * CORE_SHARE
    at = (np.arange(MODULES)[:, None] + 0.5 + within[None, :]).ravel()
    u, v = np.meshgrid(at, at)
    seen = np.sqrt(_look(rgb, corners, u, v).mean(axis=-1))
    cells = seen.reshape(MODULES, 5, MODULES, 5).transpose(0, 2, 1, 3).reshape(-1, 25)
    low, high = np.percentile(cells, [5, 95], axis=1)
    contrast = float(np.ptp(np.percentile(seen, [3, 97])))
    return float(np.mean(high - low > MIXED_STEP * contrast))


def paper_white(rgb: Image, corners: FloatArray) -> FloatArray | None:
    """Return the linear light of the paper around a marker, or None where it is clipped.

    The median over the rim, leaving out what a shadow or a piece darkens: the rim's
    darker half counts only where it is within 15 % of its brighter half.
    """
    ring = np.linspace(-QUIET_TO_MODULES, MODULES + QUIET_TO_MODULES, 48)
    u, v = np.meshgrid(ring, ring)
    outside = np.maximum(np.abs(u - MODULES / 2), np.abs(v - MODULES / 2)) - MODULES / 2
    keep = outside > QUIET_FROM_MODULES
    light = _look(rgb, corners, u[keep], v[keep])
    return robust_white(light)


def robust_white(light: Float32Array) -> FloatArray | None:
    """Return the colour of the lit, unclipped paper among ``(n, 3)`` linear samples."""
    clipped = (light > CLIPPED_LINEAR).any(axis=-1)
    if len(light) < 20 or clipped.mean() > 0.4:
        return None
    open_light = light[~clipped]
    level = open_light.mean(axis=-1)
    bright = float(np.percentile(level, 75))
    lit = open_light[level > 0.85 * bright]
    white: FloatArray = np.median(lit, axis=0).astype(float)
    return white if white.min() > 0.01 else None
