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

import numpy as np
from numpy.typing import NDArray

from vision.reference.coin.rays import PEAKS, look_along
from vision.reference.coin.surround import MISSING, Surround, parting
from vision.types import Float32Array, FloatArray, Image

ANGLES = 90
MIN_TOLERANCE_PX = 1.0  # nothing is sharper than that in a phone photo
# How little the following numbers count alone is told in rays.py.
RINGS_TRIED = 20
RANK_SHARE = (0.36, 0.2, 0.14, 0.1, 0.08, 0.06, 0.06)
FOLLOW_SHARE = 0.7
MAX_STRETCH = 0.13  # axis ratio 0.77: 30 degrees of tilt and 9 of view (cos 39.5)
RING_SUPPORT = 0.25
PARTS_WEIGHT = 0.4
SAMPLE_PX = 0.8  # along a ray


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """How rings are looked for around a start, all lengths in its radius.

    Attributes:
        span: Least and largest radius.
        tolerance: How far off a ring its edges may lie.
        inside: Where the disc surely is.
        outside: Where the table is.
        sets: How many rings are drawn through random edges.
        finest_px: Length at most to which the radius is averaged down.
    """

    span: tuple[float, float]
    tolerance: float
    inside: tuple[float, ...]
    outside: tuple[float, ...]
    sets: int
    finest_px: float


WIDE = Search(
    span=(0.64, 1.62),
    tolerance=0.015,
    inside=(0.55, 0.62, 0.69, 0.76, 0.83, 0.9),
    outside=(1.5, 1.56, 1.62, 1.68),
    sets=260,
    finest_px=56.0,
)
FINE = Search(
    span=(0.86, 1.14),
    tolerance=0.011,
    inside=(0.76, 0.80, 0.84, 0.88, 0.92),
    outside=(1.12, 1.17, 1.22, 1.27),
    sets=400,
    finest_px=190.0,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Start:
    """Where a disc may lie: middle and radius, photo pixels."""

    x: float
    y: float
    r: float


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


def _support(
    predicted: Float32Array, radius: Float32Array, trust: Float32Array, tolerance: float
) -> tuple[Float32Array, NDArray[np.int64]]:
    """How well rays show an edge at the predicted radius, 0 to 1, and which edge that is."""
    miss = np.abs(radius - predicted[..., None]) / tolerance
    gain = np.where(miss < 1, (1 - np.minimum(miss, 1) ** 2) * trust, 0.0)
    which = gain.argmax(axis=-1)
    return np.take_along_axis(gain, which[..., None], -1)[..., 0].astype(np.float32), which


def _ring_hypotheses(
    radius: Float32Array, trust: Float32Array, *, sets: int, tolerance: float
) -> tuple[FloatArray, FloatArray]:
    """Rings through random edges: ``(sets, 5)`` coefficients and ``(sets,)`` support."""
    chosen, solve = _angle_sets(len(radius), sets)
    rng = np.random.default_rng(2)
    rank = rng.choice(PEAKS, size=(sets, 6), p=RANK_SHARE)
    # Rays of one set prefer the same radius: follow the edge nearest to the first one's.
    first = radius[chosen[:, 0], rank[:, 0]]
    at = radius[chosen]  # sets, 6, PEAKS
    near = np.abs(at - first[:, None, None]).argmin(axis=-1)
    rank = np.where(rng.random((sets, 1)) < FOLLOW_SHARE, near, rank)
    value = np.take_along_axis(at, rank[..., None], -1)[..., 0]
    bad = (value >= MISSING).any(axis=-1)
    coefficients = np.einsum("qij,qj->qi", solve, value)
    predicted = coefficients @ _basis(len(radius)).T
    gain, _ = _support(predicted.astype(np.float32), radius, trust, tolerance)
    stretch = np.hypot(coefficients[:, 3], coefficients[:, 4]) / coefficients[:, 0]
    bad |= (stretch > MAX_STRETCH) | (coefficients[:, 0] < 0.3)
    return coefficients, np.where(bad, 0.0, gain.mean(axis=-1))


def _polish(
    coefficients: FloatArray,
    radius: Float32Array,
    trust: Float32Array,
    tolerance: float,
    *,
    circles: bool = False,
) -> list[Ring]:
    """Fit each of ``(k, 5)`` rings to the edges near it, tightening the tolerance."""
    terms = 3 if circles else 5
    basis = _basis(len(radius))[:, :terms]
    coefficients = coefficients[:, :terms]
    rows = np.broadcast_to(radius, (len(coefficients), *radius.shape))
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


def rings_of(rgb: Image, start: Start, search: Search) -> tuple[list[Ring], Surround]:
    """All closed rings of edges around a start, best supported first, and the colours there."""
    length_px = min(start.r, search.finest_px)
    tolerance = max(search.tolerance, MIN_TOLERANCE_PX / length_px)
    samples = max(24, int((search.span[1] - search.span[0]) * length_px / SAMPLE_PX))
    seen = look_along(
        rgb,
        np.array([start.x, start.y]),
        start.r * _basis(ANGLES)[:, 1:3],
        np.linspace(*search.span, samples),
        inside=np.array(search.inside),
        outside=np.array(search.outside),
        finest_px=search.finest_px,
    )
    coefficients, support = _ring_hypotheses(
        seen.radius, seen.trust, sets=search.sets, tolerance=2 * tolerance
    )
    half = search.sets // 2
    kept: list[Ring] = []
    for circles, part in ((True, slice(0, half)), (False, slice(half, None))):
        first = np.argsort(-support[part])[:60]
        first = first[support[part][first] >= 0.5 * RING_SUPPORT]
        if len(first) == 0:
            continue
        guesses = coefficients[part][first]
        distinct = _distinct(guesses, 0.6 * tolerance)[:RINGS_TRIED]
        kept += [
            ring
            for ring in _polish(
                guesses[distinct], seen.radius, seen.trust, tolerance, circles=circles
            )
            if ring.support >= RING_SUPPORT and _stretch(ring) <= MAX_STRETCH
        ]
    kept.sort(key=lambda ring: -merit(ring))
    if kept:
        distinct = _distinct(np.array([r.coefficients for r in kept]), 0.8 * tolerance)
        kept = [kept[k] for k in distinct]
    rings = [replace(ring, parts=parting(ring.radius, seen.around)) for ring in kept]
    return sorted(rings, key=lambda ring: -merit(ring)), seen.around


def _distinct(coefficients: FloatArray, tolerance: float) -> list[int]:
    """Rows of those rings that differ from every better one (earlier in the order)."""
    radius = coefficients @ _basis(ANGLES)[::3].T
    apart = np.abs(radius[:, None] - radius[None]).mean(axis=2)
    chosen: list[int] = []
    for k in range(len(radius)):
        if not chosen or float(apart[k, chosen].min()) >= tolerance:
            chosen.append(k)
    return chosen


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
