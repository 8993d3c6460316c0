"""Which plane shows a coin as the body it is: a disc of known thickness?

A coin seen from an angle is no ellipse. On the side towards the camera its wall shows below
the face, so its outline is the face's on the far side and the foot's on the near one, with the
face's edge between. Fitted as an ellipse it comes out too large, too round or both; fitted as a
body it also tells which way the table tilts, which no ellipse can (`vision.reference.coin.tilt`):
the wall shows on one side only.

For every plane the outline and the face's edge are known but for size and place, three
numbers in which both are linear. They are fitted to the edges seen along rays, and the planes
compared by how many rays show an edge where they should. Edges count less the more others lie
outside them: within the outline there are rims, within those relief, outside it mostly table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from math import pi

import numpy as np
from numpy.typing import NDArray

from vision.reference.coin.ellipse import Ellipse
from vision.reference.coin.rings import edges_along_rays
from vision.types import Float32Array, FloatArray, Image

RAYS = 72
_TURN = np.linspace(0, 2 * pi, RAYS, endpoint=False)
_AROUND = np.column_stack([np.cos(_TURN), np.sin(_TURN)])
REACH = np.arange(0.80, 1.22, 0.0075)
"""Where along a ray from the middle edges are looked for, in found outlines: of 43 rendered
coins the outlines found were off by 8 % at most."""

STEP_DEG, MAX_TILT_DEG = 4.0, 28.0
"""Planes tried. Finer ones differ by less than the tolerance, steeper ones count as the
steepest of their direction."""

STARTS, START_EVERY = (0.94, 0.98, 1.02, 1.06, 1.10), 2
"""Sizes to start from, in found outlines, on every second plane in either direction: the inner
edge of the rim lies 5 to 9 % in, and may have been taken for the outline."""

ROUGH_WIDTHS, FINE_WIDTHS = (4.0, 2.5, 1.0), (2.5, 1.0)
"""How near, in tolerances, an edge must lie to count, fit by fit."""

TOLERANCE, MIN_TOLERANCE_PX = 0.013, 1.0
"""Half a rim's bevel and some blur, in found outlines; nothing is sharper than a pixel."""

OUTSIDE_DISCOUNT, MOST_OUTSIDE = 0.5, 2.0
"""An edge's weight falls by exp(-0.5) for each trusted edge outside it, at most two. Of 22 rendered
coins of even seeds sizes are off by 0.6 % in the median with it, by 0.9 % without, for then the
inner edge of the rim is often taken, and by 1.0 % with 0.8, for then shadows are."""

FACE_WEIGHT = 0.6
"""Of the face's edge where the wall shows, against the outline's. It alone tells a plane from its
mirror image, whose outline is the same; but it may be worn, and relief lies beside it. Between
0.3 and 1 planes and sizes are equally good."""

BODY_LOG = 30.0
"""Log likelihood of a plane or size with every ray showing an edge over one with none. 20 to 40 do
equally well on 24 rendered coins. How far sizes differ that are likely by it is how far they are
off: of 243 real coins (bench.coins) those with 0.6 to 1 %, 1 to 1.5, 1.5 to 3 and more by 0.7,
1.0, 1.8 and 3.3 % (RMS)."""

U_LOG_FOUND = 0.05
"""How far the outline found may be off the coin's: of 43 rendered coins up to 8 %."""

PARTS_WEIGHT = 0.2
PARTS_AT = (0.015, 0.025, 0.035)
"""What it counts that the disc's colour lies inside the outline and not outside, so far off it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BodyLook:
    """How well each plane of :func:`planes_tried` shows the coin, and how it lies then.

    Attributes:
        scores: ``(n,)`` share of the rays that show an edge where the body has one, up to
            the colours' part.
        log_major: ``(n,)`` log of the face's long axis, px, whole length.
        centres_px: ``(n, 2)`` the face's centre on the photo.
        u_log_major: Standard uncertainty of ``log_major`` from not knowing which of the edges
            around the middle is the coin's.
    """

    scores: FloatArray
    log_major: FloatArray
    centres_px: FloatArray
    u_log_major: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Outlines:
    """Support functions of a body over the rays, for each plane, in found outlines.

    ``face`` is that of the face, ``wall`` how much further out the outline lies, both
    ``(n, RAYS)``.
    """

    face: FloatArray
    wall: FloatArray

    def at(self, size: FloatArray, shift: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Where the rays meet face and outline of a body of this size and place, ``(n, RAYS)``."""
        face = size[:, None] * self.face + shift @ _AROUND.T
        return face, face + size[:, None] * self.wall


def planes_tried() -> FloatArray:
    """``(n, 2)`` angles of the planes tried across and down, radians, on an even grid."""
    return planes_within(MAX_TILT_DEG, STEP_DEG)


@lru_cache(maxsize=2)
def planes_within(most_deg: float, step_deg: float) -> FloatArray:
    """``(n, 2)`` angles across and down of planes tilted no more, radians, on an even grid."""
    at = np.radians(np.arange(-most_deg, most_deg + step_deg / 2, step_deg))
    across, down = (grid.ravel() for grid in np.meshgrid(at, at))
    keep = np.hypot(across, down) <= np.radians(most_deg) + 1e-9
    return np.column_stack([across[keep], down[keep]])


def between_planes(angles: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
    """Which of the planes tried lie around planes of these ``(n, 2)`` angles, and their shares.

    Returns:
        ``(n, 4)`` rows of :func:`planes_tried` and ``(n, 4)`` weights of a bilinear
        interpolation; steeper planes take what the steepest of their direction have.
    """
    tilt = np.hypot(*angles.T)[:, None]
    at = angles * np.minimum(1.0, np.radians(MAX_TILT_DEG) / np.maximum(tilt, 1e-9))
    step = np.radians(STEP_DEG)
    low = np.floor(at / step + 1e-9)
    part = at / step - low
    tried = planes_tried() / step
    rows, weights = [], []
    for right in (0, 1):
        for under in (0, 1):
            corner = low + (right, under)
            rows.append(np.abs(corner[:, None] - tried[None]).sum(axis=2).argmin(axis=1))
            shares = np.abs(part - (1 - right, 1 - under))
            weights.append(shares.prod(axis=1))
    return np.stack(rows, axis=1), np.stack(weights, axis=1)


def slopes_of(angles: FloatArray) -> FloatArray:
    """Slopes of planes whose tilt has this size and direction, radians."""
    tilt = np.hypot(*angles.T)[:, None]
    slopes: FloatArray = angles * np.where(tilt > 1e-9, np.tan(tilt) / np.maximum(tilt, 1e-9), 1.0)
    return slopes


def look_at_body(
    rgb: Image, ellipse: Ellipse, *, ray: FloatArray, thickness_share: float
) -> BodyLook:
    """Fit the body of a coin on each plane tried to the edges around its found outline.

    Args:
        rgb: The photo.
        ellipse: The outline found; it may be that of the rim or of the foot.
        ray: ``(2,)`` direction from the camera to the coin, at unit depth.
        thickness_share: Thickness over diameter.
    """
    frame = _frame(ellipse)
    radius, trust, metal = edges_along_rays(
        rgb, np.array(ellipse.centre_px), _AROUND @ frame.T, REACH
    )
    outer = (radius[:, None, :] > radius[:, :, None]) * trust[:, None, :]
    discounted = trust * np.exp(-OUTSIDE_DISCOUNT * np.minimum(outer.sum(axis=2), MOST_OUTSIDE))
    tolerance = max(TOLERANCE, MIN_TOLERANCE_PX / (0.5 * ellipse.major_px))
    widths = {1.0, *ROUGH_WIDTHS, *FINE_WIDTHS}
    edges = _Edges(
        outline={w: _nearest(radius, discounted, tolerance * w) for w in widths},
        face={w: _nearest(radius, trust, tolerance * w) for w in widths},
        metal=metal,
        tolerance=tolerance,
    )
    body = _outlines(slopes_of(planes_tried()), ray, frame, thickness_share=thickness_share)
    size, shift, u_log = _fit(edges, body)
    return BodyLook(
        scores=edges.scores(body, size, shift),
        log_major=np.log(np.maximum(size, 0.1) * ellipse.major_px),
        centres_px=np.array(ellipse.centre_px) + shift @ frame.T,
        u_log_major=u_log,
    )


def _frame(ellipse: Ellipse) -> FloatArray:
    """``(2, 2)`` from the unit circle to the outline found."""
    c, s = np.cos(np.radians(ellipse.angle_deg)), np.sin(np.radians(ellipse.angle_deg))
    turn = np.array([[c, -s], [s, c]])
    frame: FloatArray = turn * np.array([ellipse.major_px, ellipse.minor_px]) / 2
    return frame


def image_of_plane(slopes: FloatArray, ray: FloatArray) -> tuple[FloatArray, FloatArray]:
    """How the image moves with a place on planes of these slopes, and with one below them.

    Returns:
        ``(n, 2, 2)`` derivative by two perpendicular steps on the plane, ``(n, 2)`` by a
        step along the normal away from the camera; both at unit depth and focal length.
    """
    right, other, normal = frames_of(slopes)
    turn = np.stack([right, other], axis=-1)  # n, 3, 2
    by_place = turn[:, :2] - ray[None, :, None] * turn[:, 2:3]
    return by_place, normal[:, :2] - ray * normal[:, 2:]


def frames_of(slopes: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Two perpendicular unit vectors on each plane and its normal away from the camera."""
    normal = np.column_stack([slopes, np.ones(len(slopes))])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    right = np.array([1.0, 0.0, 0.0]) - normal[:, :1] * normal
    right /= np.linalg.norm(right, axis=1, keepdims=True)
    return right, np.cross(normal, right), normal


def long_axis(by_place: FloatArray) -> FloatArray:
    """``(n,)`` half the long axis of a unit circle's image."""
    square = by_place @ np.swapaxes(by_place, 1, 2)
    half, mean = (square[:, 0, 0] - square[:, 1, 1]) / 2, (square[:, 0, 0] + square[:, 1, 1]) / 2
    axis: FloatArray = np.sqrt(mean + np.hypot(half, square[:, 0, 1]))
    return axis


def _outlines(
    slopes: FloatArray, ray: FloatArray, frame: FloatArray, *, thickness_share: float
) -> _Outlines:
    by_place, by_depth = image_of_plane(slopes, ray)
    back = np.linalg.inv(frame) * float(np.linalg.norm(frame, 2))
    unit = long_axis(by_place)[:, None]
    face = back @ by_place / unit[:, :, None]
    foot = 2 * thickness_share * by_depth / unit @ back.T
    # The support function of an image of the unit circle: the length of the ray mapped back.
    return _Outlines(
        face=np.linalg.norm(np.einsum("kij,ni->knj", face, _AROUND), axis=2),
        wall=np.maximum(foot @ _AROUND.T, 0.0),
    )


PLACES = np.arange(0.74, 1.28, 0.004)
"""Radii at which the nearest edges are looked up: finer than the tolerance."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Nearest:
    """For each ray and place: how well an edge is there, 0 to 1, and where; flat."""

    gain: FloatArray
    at: FloatArray


def _nearest(radius: Float32Array, trust: Float32Array, tolerance: float) -> _Nearest:
    gain, at = np.zeros((2, len(radius), len(PLACES)))
    for edge, trusted in zip(radius.T, trust.T, strict=True):
        miss = (edge[:, None] - PLACES) / tolerance
        own = (1 - miss * miss) * trusted[:, None]
        better = own > gain
        gain, at = np.where(better, own, gain), np.where(better, edge[:, None], at)
    return _Nearest(gain=gain.ravel(), at=at.ravel())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Edges:
    """Edges along the rays, by the width in tolerances, and the metal's share there."""

    outline: Mapping[float, _Nearest]
    face: Mapping[float, _Nearest]
    metal: FloatArray
    tolerance: float

    def parting(self, body: _Outlines, size: FloatArray) -> FloatArray:
        """``(n, RAYS)`` 0 to 1: whether face and outline lie far enough apart to be two edges."""
        apart: FloatArray = np.minimum(size[:, None] * body.wall / (2 * self.tolerance), 1.0)
        return apart

    def scores(self, body: _Outlines, size: FloatArray, shift: FloatArray) -> FloatArray:
        face, outline = body.at(size, shift)
        parting = FACE_WEIGHT * self.parting(body, size)
        gain = self.outline[1.0].gain[_places(outline)]
        gain_face = self.face[1.0].gain[_places(face)]
        edges = (gain + parting * gain_face).sum(axis=1) / (RAYS + parting.sum(axis=1))
        inside = np.mean([self._metal_at(outline - off) for off in PARTS_AT], axis=0)
        outside = np.mean([self._metal_at(outline + off) for off in PARTS_AT], axis=0)
        scores: FloatArray = edges + PARTS_WEIGHT * (inside - outside).mean(axis=1)
        return scores

    def _metal_at(self, radius: FloatArray) -> FloatArray:
        step = REACH[1] - REACH[0]
        column = np.clip(np.rint((radius - REACH[0]) / step).astype(int), 0, len(REACH) - 1)
        at: FloatArray = self.metal[np.arange(RAYS), column]
        return at


def _places(radius: FloatArray) -> NDArray[np.int64]:
    """Where ``(n, RAYS)`` radii lie in the flat tables of :class:`_Nearest`."""
    column = np.rint((radius - PLACES[0]) / (PLACES[1] - PLACES[0]))
    places: NDArray[np.int64] = np.clip(column, 0, len(PLACES) - 1).astype(np.int64)
    places += len(PLACES) * np.arange(RAYS)
    return places


def _fit(edges: _Edges, body: _Outlines) -> tuple[FloatArray, FloatArray, float]:
    """Size and shift of every plane: some from several sizes, the others from their best.

    Also how far the sizes reached from there differ, each counting by how well it shows.
    """
    angles = planes_tried()
    cells = np.rint(angles / np.radians(STEP_DEG)).astype(int)
    first = np.nonzero((cells % START_EVERY == 0).all(axis=1))[0]
    rows = np.tile(first, len(STARTS))
    rough = _Outlines(face=body.face[rows], wall=body.wall[rows])
    size = np.repeat(STARTS, len(first))
    size, shift = _fitted(edges, rough, size, np.zeros((len(size), 2)), ROUGH_WIDTHS)
    scores = edges.scores(rough, size, shift).reshape(len(STARTS), -1)
    log_size = np.log(np.maximum(size, 0.1)).reshape(scores.shape)
    weight = np.exp(BODY_LOG * (scores - scores.max()) - 0.5 * (log_size / U_LOG_FOUND) ** 2)
    weight /= weight.sum()
    u_log = float(np.sqrt((weight * (log_size - (weight * log_size).sum()) ** 2).sum()))
    best = scores.argmax(axis=0) * len(first) + np.arange(len(first))
    away = np.linalg.norm(angles[:, None] - angles[first][None], axis=2)
    start = best[away.argmin(axis=1)]
    return *_fitted(edges, body, size[start], shift[start], FINE_WIDTHS), u_log


def _fitted(
    edges: _Edges,
    body: _Outlines,
    size: FloatArray,
    shift: FloatArray,
    widths: tuple[float, ...],
) -> tuple[FloatArray, FloatArray]:
    """Fit size and shift by least squares to the edges near, nearer and nearer."""
    x, y = _AROUND.T
    for width in widths:
        face, outline = body.at(size, shift)
        there, there_face = _places(outline), _places(face)
        gain, at = edges.outline[width].gain[there], edges.outline[width].at[there]
        gain_face, at_face = edges.face[width].gain[there_face], edges.face[width].at[there_face]
        gain_face = FACE_WEIGHT * edges.parting(body, size) * gain_face
        whole = body.face + body.wall
        both, told = gain + gain_face, gain * at + gain_face * at_face
        seen = gain * whole + gain_face * body.face
        normal = np.empty((len(size), 3, 3))
        normal[:, 0, 0] = (gain * whole**2 + gain_face * body.face**2).sum(axis=1)
        normal[:, 0, 1:] = normal[:, 1:, 0] = seen @ _AROUND
        normal[:, 1, 1], normal[:, 2, 2] = both @ x**2, both @ y**2
        normal[:, 1, 2] = normal[:, 2, 1] = both @ (x * y)
        right = np.empty((len(size), 3))
        right[:, 0] = (gain * at * whole + gain_face * at_face * body.face).sum(axis=1)
        right[:, 1:] = told @ _AROUND
        solved = np.linalg.solve(normal + 1e-6 * np.eye(3), right[..., None])[..., 0]
        size, shift = solved[:, 0], solved[:, 1:]
    return size, shift
