"""Which closed rings of edges lie around a centre?

The radial edges are read and closed rings
``r(t) = c0 + c1 cos t + s1 sin t + c2 cos 2t + s2 sin 2t`` (an ellipse to first order) are
drawn from random angle sets; a coin gives several: its outline, the step of its rim, the
joint of two metals, its shadow.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from math import pi

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.reference.coin.surround import (
    MISSING,
    Crop,
    Spans,
    Surround,
    look_around,
    parting,
    polar_samples,
    shadow_like,
    surround_of,
)
from vision.types import Float32Array, FloatArray, Image

FINE_ANGLES = 90
MIN_TOLERANCE_PX = 1.0  # nothing is sharper than that in a phone photo
PEAKS = 7
WIDE_SETS, FINE_SETS = 260, 400
RINGS_TRIED = 20
RANK_SHARE = (0.36, 0.2, 0.14, 0.1, 0.08, 0.06, 0.06)
TRUST_FULL, TRUST_POWER = 0.4, 1.0
PEAK_FLOOR = 3.0  # grey levels per sample pair
MAX_STRETCH = 0.13  # axis ratio 0.77: 30 degrees of tilt and 9 of view (cos 39.5)
RING_SUPPORT = 0.25
# On 22 real coins (photos of bench.coins, cut out) of all numbers here this first alone counts:
# as 1.12 the edges of shadows count against a ring, and 7 coins are over 4 % off. Any other taken
# as 0.7 or 1.4 of it leaves the scatter at 1.1 to 1.5 % (1.3 as it is).
SHADOW_DISTRUST, SHADOW_DISTRUST_GREY = 0.8, 0.6
RAY_SPANS = ((0.80, 0.84, 0.88, 0.92), (1.10, 1.14, 1.18, 1.21))
RAY_RADIUS_PX = 90.0  # larger discs are smoothed so much more
PARTS_WEIGHT = 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ring:
    """A closed ring of edges around a centre, in units of a radius.

    Attributes:
        coefficients: ``(5,)`` of the ring's Fourier form.
        radius: ``(n_angles,)`` radius at each angle.
        support: Share of the angles that show an edge there, 0 to 1, weighted.
        misfit: RMS distance of the edges it rests on.
        parts: How far it parts disc from table by colour, -1 to 1; 0 where that can't tell.
    """

    coefficients: FloatArray
    radius: FloatArray
    support: float
    misfit: float
    parts: float = 0.0


def _basis(angles: int) -> FloatArray:
    t = np.linspace(0, 2 * pi, angles, endpoint=False)
    return np.column_stack([np.ones_like(t), np.cos(t), np.sin(t), np.cos(2 * t), np.sin(2 * t)])


@lru_cache(maxsize=8)
def _angle_sets(angles: int, sets: int) -> tuple[NDArray[np.int64], FloatArray]:
    """Sets of six spread angles and the matrices that turn six radii into a ring."""
    rng = np.random.default_rng(20)
    start = rng.integers(0, angles, sets)
    jitter = rng.integers(-angles // 15, angles // 15 + 1, (sets, 6))
    chosen = (start[:, None] + np.arange(6) * angles // 6 + jitter) % angles
    solve = np.linalg.pinv(_basis(angles)[chosen])
    round_sets = sets // 2  # every other set may draw circles only: few tilts are steep
    solve[:round_sets, 3:] = 0
    solve[:round_sets, :3] = np.linalg.pinv(_basis(angles)[chosen[:round_sets], :3])
    return chosen, solve


def _peaks(polar: Float32Array, reach: FloatArray) -> tuple[Float32Array, Float32Array]:
    """The strongest radial edges of every ray: ``(n, angles, PEAKS)`` radii and strengths.

    Missing ones have strength 0 and a radius beyond all.
    """
    step = polar[:, :, 2:] - polar[:, :, :-2]
    size = np.abs(step).max(axis=3)
    middle = size[:, :, 1:-1]
    is_peak = (middle > size[:, :, :-2]) & (middle >= size[:, :, 2:]) & (middle > PEAK_FLOOR)
    ranked = np.where(is_peak, middle, 0.0)
    pick = np.argpartition(-ranked, PEAKS - 1, axis=2)[:, :, :PEAKS]
    strength = np.take_along_axis(ranked, pick, 2)
    order = np.argsort(-strength, axis=2)
    pick, strength = np.take_along_axis(pick, order, 2), np.take_along_axis(strength, order, 2)
    left = np.take_along_axis(size[:, :, :-2], pick, 2)
    right = np.take_along_axis(size[:, :, 2:], pick, 2)
    bend = left - 2 * strength + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1), 0.0)
    pitch = reach[1] - reach[0]
    radius = reach[0] + pitch * (pick + 2 + np.clip(shift, -0.5, 0.5))
    return (
        np.where(strength > 0, radius, MISSING).astype(np.float32),
        strength.astype(np.float32),
    )


def _support(
    predicted: Float32Array, radius: Float32Array, trust: Float32Array, tolerance: float
) -> tuple[Float32Array, NDArray[np.int64]]:
    """How well rays show an edge at the predicted radius, 0 to 1, and which edge that is."""
    miss = np.abs(radius - predicted[..., None]) / tolerance
    gain = np.where(miss < 1, (1 - np.minimum(miss, 1) ** 2) * trust, 0.0)
    which = gain.argmax(axis=-1)
    return np.take_along_axis(gain, which[..., None], -1)[..., 0].astype(np.float32), which


def _trust(strength: Float32Array) -> Float32Array:
    """Trust in an edge: full from half the typical strongest edge of its disc upwards."""
    typical = np.median(strength[..., 0], axis=-1)[..., None, None]
    trust: Float32Array = np.minimum(
        1.0, (strength / np.maximum(TRUST_FULL * typical, PEAK_FLOOR)) ** TRUST_POWER
    )
    return trust


def _ring_hypotheses(
    radius: Float32Array,
    trust: Float32Array,
    *,
    sets: int,
    tolerance: float,
    seed: int,
) -> tuple[FloatArray, FloatArray]:
    """Rings through random edges: ``(n, sets, 5)`` coefficients and ``(n, sets)`` support."""
    n, angles, _ = radius.shape
    chosen, solve = _angle_sets(angles, sets)
    rng = np.random.default_rng(seed)
    rank = rng.choice(PEAKS, size=(n, sets, 6), p=RANK_SHARE)
    # Rays of one set prefer the same radius: follow the edge nearest to the first one's.
    first = radius[np.arange(n)[:, None], chosen[:, 0][None, :], rank[..., 0]]
    at = radius[:, chosen]  # n, sets, 6, PEAKS
    near = np.abs(at - first[:, :, None, None]).argmin(axis=-1)
    follow = rng.random((n, sets, 1)) < 0.7
    rank = np.where(follow, near, rank)
    value = np.take_along_axis(at, rank[..., None], -1)[..., 0]
    bad = (value >= MISSING).any(axis=-1)
    coefficients = np.einsum("qij,nqj->nqi", solve, value)
    predicted = coefficients @ _basis(angles).T
    gain, _ = _support(predicted.astype(np.float32), radius[:, None], trust[:, None], tolerance)
    support = gain.mean(axis=-1)
    stretch = np.hypot(coefficients[..., 3], coefficients[..., 4]) / coefficients[..., 0]
    support = np.where(bad | (stretch > MAX_STRETCH) | (coefficients[..., 0] < 0.3), 0.0, support)
    return coefficients, support


def _polish(
    coefficients: FloatArray,
    radius: Float32Array,
    trust: Float32Array,
    tolerance: float,
    *,
    circles: bool = False,
) -> list[Ring]:
    """Fit each of ``(k, 5)`` rings to the edges near it, tightening the tolerance.

    ``radius`` and ``trust`` are ``(k or 1, angles, PEAKS)``.
    """
    terms = 3 if circles else 5
    basis = _basis(radius.shape[1])[:, :terms]
    coefficients = coefficients[:, :terms]
    rows = np.broadcast_to(radius, (len(coefficients), *radius.shape[1:]))
    for widen in (2.5, 1.5, 1.0):
        predicted = (coefficients @ basis.T).astype(np.float32)
        gain, which = _support(predicted, radius, trust, tolerance * widen)
        near = np.take_along_axis(rows, which[..., None], 2)[..., 0]
        target = np.where(gain > 0, near, 0.0)
        weighted = basis.T[None] * gain[:, None, :]
        normal = weighted @ basis + 1e-9 * np.eye(terms)
        solved = np.linalg.solve(normal, weighted @ target[..., None])[..., 0]
        enough = np.count_nonzero(gain, axis=1) >= 6
        coefficients = np.where(enough[:, None], solved, coefficients)
    predicted = coefficients @ basis.T
    gain, which = _support(predicted.astype(np.float32), radius, trust, tolerance)
    near = np.take_along_axis(rows, which[..., None], 2)[..., 0]
    squares = np.where(gain > 0, (near - predicted) ** 2, 0.0).sum(axis=1)
    misfit = np.sqrt(squares / np.maximum(np.count_nonzero(gain, axis=1), 1))
    full = np.zeros((len(coefficients), 5))
    full[:, :terms] = coefficients
    return [
        Ring(
            coefficients=full[k],
            radius=predicted[k],
            support=float(gain[k].mean()),
            misfit=float(misfit[k]),
        )
        for k in range(len(coefficients))
    ]


def rings_of(
    crop: Crop,
    *,
    span: tuple[float, float],
    tolerance: float,
    spans: Spans,
    sets: int,
) -> tuple[list[Ring], Surround]:
    """All closed rings of edges around the middle of a crop, best supported first."""
    tolerance = max(tolerance, MIN_TOLERANCE_PX / crop.radius_px)
    samples = max(24, int((span[1] - span[0]) * crop.radius_px / 0.8))
    reach = np.linspace(*span, samples)
    smooth = cv2.GaussianBlur(crop.image, (0, 0), 0.7)
    centre = np.array([[float(crop.centre_px), float(crop.centre_px)]])
    polar = polar_samples(smooth, centre, np.array([crop.radius_px]), FINE_ANGLES, reach)
    radius, strength = _peaks(polar, reach)
    around = look_around(crop, polar, reach, spans)
    # White metal on white paper: its outline, too, keeps the colour.
    distrust = SHADOW_DISTRUST * around.tells + SHADOW_DISTRUST_GREY * (1 - around.tells)
    trust = _trust(strength) * (1 - distrust * shadow_like(polar, reach, radius))
    trust = trust.astype(np.float32)
    coefficients, support = _ring_hypotheses(
        radius, trust, sets=sets, tolerance=2 * tolerance, seed=2
    )
    half = sets // 2
    kept: list[Ring] = []
    for circles, part in ((True, slice(0, half)), (False, slice(half, None))):
        first = np.argsort(-support[0, part])[:60]
        first = first[support[0, part][first] >= 0.5 * RING_SUPPORT]
        if len(first) == 0:
            continue
        guesses = coefficients[0, part][first]
        distinct = _distinct(guesses, np.arange(len(first)), 0.6 * tolerance)[:RINGS_TRIED]
        kept += [
            ring
            for ring in _polish(guesses[distinct], radius, trust, tolerance, circles=circles)
            if ring.support >= RING_SUPPORT and _stretch(ring) <= MAX_STRETCH
        ]
    kept.sort(key=lambda ring: -merit(ring))
    if kept:
        order = np.arange(len(kept))
        distinct = _distinct(np.array([r.coefficients for r in kept]), order, 0.8 * tolerance)
        kept = [kept[k] for k in distinct]
    rings = [replace(ring, parts=parting(ring.radius, around)) for ring in kept]
    return sorted(rings, key=lambda ring: -merit(ring)), around


def edges_along_rays(
    rgb: Image, centre_px: FloatArray, rays_px: FloatArray, reach: FloatArray
) -> tuple[Float32Array, Float32Array, FloatArray]:
    """The edges along rays from the middle of a disc, and where its colour is.

    Args:
        rgb: The photo.
        centre_px: ``(2,)`` the middle.
        rays_px: ``(n, 2)`` from there to an outline.
        reach: ``(m,)`` where to look, in rays, evenly; from inside to outside the disc.

    Returns:
        ``(n, PEAKS)`` where the strongest edges are, in rays, `MISSING` where there is none;
        how far each is trusted, 0 to 1; ``(n, m)`` probability of the disc's colour, times
        how well colour tells.
    """
    longest = float(np.linalg.norm(rays_px, axis=1).max())
    half = int(longest * reach[-1]) + 6
    x0, y0 = (max(0, int(c) - half) for c in centre_px)
    part = rgb[y0 : int(centre_px[1]) + half + 1, x0 : int(centre_px[0]) + half + 1]
    smooth = cv2.GaussianBlur(part, (0, 0), max(0.7, 0.5 * longest / RAY_RADIUS_PX))
    at = centre_px - (x0, y0) + rays_px[:, None, :] * reach[None, :, None]
    at = at.astype(np.float32)
    codes = cv2.remap(
        smooth, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    polar = codes.astype(np.float32)[None]
    radius, strength = _peaks(polar, reach)
    columns = [np.abs(reach[:, None] - np.array(span)[None]).argmin(axis=0) for span in RAY_SPANS]
    around = surround_of(polar, reach, codes[:, columns[0]], codes[:, columns[1]])
    distrust = SHADOW_DISTRUST * around.tells + SHADOW_DISTRUST_GREY * (1 - around.tells)
    trust = _trust(strength) * (1 - distrust * shadow_like(polar, reach, radius))
    metal = np.diff(around.metal, axis=1, prepend=0.0) * around.tells
    return radius[0], trust[0].astype(np.float32), metal


def _distinct(
    coefficients: FloatArray, names: NDArray[np.int64], tolerance: float
) -> NDArray[np.int64]:
    """Names of those rings that differ from every better one (earlier in the order)."""
    radius = coefficients @ _basis(FINE_ANGLES)[::3].T
    apart = np.abs(radius[:, None] - radius[None]).mean(axis=2)
    chosen: list[int] = []
    for k in range(len(radius)):
        if not chosen or float(apart[k, chosen].min()) >= tolerance:
            chosen.append(k)
    return names[chosen]


def _stretch(ring: Ring) -> float:
    """Half the difference of the half axes over their mean."""
    return float(np.hypot(*ring.coefficients[3:])) / float(ring.coefficients[0])


OUT_OF_ROUND, OUT_OF_ROUND_SCALE = 0.12, 0.025
"""At a charge of 0.2 many coins seen at 15 to 30 degrees were taken for circles. Of 210 rendered
coins, tilts evenly from 0 to 30 degrees, the true slopes of the table lie in the 95 % region of 82,
89, 90 and 92 % at a charge of 0.2, 0.12, 0.08 and 0.06, and sizes in their interval of 95, 97, 98
and 99 %. From 0.1 down a level coin wavers: turned by quarters, four drawn ones keep their size
to 0.1 % (RMS) at 0.2 and 0.12, to 0.2 and 0.4 % at 0.1 and 0.08."""


def merit(ring: Ring) -> float:
    """Support less a small charge for being out of round: photos are taken from above."""
    charge = OUT_OF_ROUND * (1 - float(np.exp(-2 * _stretch(ring) / OUT_OF_ROUND_SCALE)))
    return ring.support + PARTS_WEIGHT * ring.parts - charge
