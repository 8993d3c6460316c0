"""Where on the photo do round things lie? Coin-like discs, found and outlined.

Three looks, each finer than the one before: votes for centres
(:mod:`vision.reference.coin.votes`), rings around them (:mod:`vision.reference.coin.rings`),
the outline among them (:mod:`vision.reference.coin.outline`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vision.reference.coin.outline import (
    Disc,
    face_of,
    in_frame,
    outline_ring,
    refine,
    ring_to_ellipse,
)
from vision.reference.coin.rings import FINE_SETS, WIDE_SETS, Ring, coarse_rings, rings_of
from vision.reference.coin.surround import Crop, crop_disc
from vision.reference.coin.votes import Candidate, merged, octaves_of, vote_for_centres
from vision.reference.places import Place
from vision.types import Image

WIDE_TOLERANCE, FINE_TOLERANCE = 0.015, 0.011
WIDE_RADIUS_PX = 56.0  # radius of a disc in its crop for the wide look
FINE_RADIUS_PX = 190.0  # and at most so much for the fine look
WIDE_RANGE = (0.64, 1.62)
FINE_RANGE = (0.86, 1.14)
DISCS_TRIED = 64  # a table full of coins; texture gives hundreds of poor candidates
PLACED_SUPPORT = 0.42  # where the network sees a reference: one of 43 rendered coins needs it
DISC_SUPPORT = 0.50  # of a disc's clearest ring: 95 % of 150 real coins lie over 0.52
FINE_SPANS = ((0.76, 0.80, 0.84, 0.88, 0.92), (1.12, 1.17, 1.22, 1.27))
WIDE_SPANS = ((0.55, 0.62, 0.69, 0.76, 0.83, 0.9), (1.5, 1.56, 1.62, 1.68))
MOVED = 0.04  # look again where the ring was not where the colours were sampled for
MIN_COVERAGE = 0.55
MAX_RESIDUAL = 0.015
"""RMS distance of an outline from its ellipse over half its long axis, beyond 0.4 px. A coin seen
from an angle is an ellipse and a bit of wall: a clear one at 15 degrees reaches 0.011."""
MIN_AXIS_RATIO = 0.76


def find_discs(rgb: Image, *, places: Sequence[Place] = ()) -> tuple[Disc, ...]:
    """Return all coin-like discs on a photo, whole in the frame, best first.

    Args:
        rgb: ``(h, w, 3)`` uint8 sRGB.
        places: Where they may lie. Elsewhere is looked if none of them shows one, or if
            one is not round: coins that touch make one patch.
    """
    discs: list[Disc] = []
    if all(place.is_round for place in places):
        hinted = [
            Candidate(x=place.centre_px[0], y=place.centre_px[1], r=place.radius_px, votes=1.0)
            for place in places
        ]
        discs = _discs_of(rgb, hinted, least_support=PLACED_SUPPORT)
    if not discs:
        candidates: list[Candidate] = []
        for scale, image in octaves_of(rgb):
            candidates += coarse_rings(scale, image, vote_for_centres(image))
        discs = _discs_of(rgb, candidates)
    return tuple(sorted(discs, key=lambda d: -d.coverage))


def _discs_of(
    rgb: Image, candidates: list[Candidate], *, least_support: float = DISC_SUPPORT
) -> list[Disc]:
    discs: list[Disc] = []
    best = merged(candidates)[:DISCS_TRIED]
    for candidate in sorted(best, key=lambda c: -c.r):
        if any(_inside(candidate, disc) for disc in discs):
            continue
        disc = _outline(rgb, candidate, least_support=least_support)
        if disc is not None and not any(_same(disc, other) for other in discs):
            discs.append(disc)
    return discs


def _outline(rgb: Image, candidate: Candidate, *, least_support: float) -> Disc | None:
    """Find the disc around a candidate, fit its outline and describe it."""
    placed = _place(rgb, candidate, least_support=least_support)
    if placed is None:
        return None
    candidate, ring, crop = placed
    start = ring_to_ellipse(ring, candidate)
    refined = refine(rgb, start) if in_frame(start, rgb) else None
    if refined is None:
        return None
    fit, coverage = refined
    ellipse = fit.ellipse
    if (
        coverage < MIN_COVERAGE
        or ellipse.axis_ratio < MIN_AXIS_RATIO
        or fit.residual_px > MAX_RESIDUAL * 0.5 * ellipse.major_px + 0.4
        or not in_frame(ellipse, rgb)
    ):
        return None
    return Disc(fit=fit, coverage=coverage, face=face_of(crop, ring))


def _place(
    rgb: Image, candidate: Candidate, *, least_support: float
) -> tuple[Candidate, Ring, Crop] | None:
    """The ring that bounds the disc of a candidate, first at low, then at full resolution."""
    crop = crop_disc(rgb, candidate, radius_px=WIDE_RADIUS_PX, reach=1.75)
    rings, around = rings_of(
        crop, span=WIDE_RANGE, tolerance=WIDE_TOLERANCE, spans=WIDE_SPANS, sets=WIDE_SETS
    )
    if max((ring.support for ring in rings), default=0.0) < least_support:
        return None
    ring = outline_ring(rings, around)
    for _ in range(2):
        if ring is None:
            return None
        candidate = _recentred(candidate, ring)
        crop = crop_disc(rgb, candidate, radius_px=FINE_RADIUS_PX, reach=1.3)
        rings, around = rings_of(
            crop, span=FINE_RANGE, tolerance=FINE_TOLERANCE, spans=FINE_SPANS, sets=FINE_SETS
        )
        ring = outline_ring(rings, around)
        if ring is not None and abs(float(ring.coefficients[0]) - 1) < MOVED:
            break
    return None if ring is None else (candidate, ring, crop)


def _recentred(candidate: Candidate, ring: Ring) -> Candidate:
    """The candidate moved and sized to a ring."""
    c = ring.coefficients
    return Candidate(
        x=candidate.x + float(c[1]) * candidate.r,
        y=candidate.y + float(c[2]) * candidate.r,
        r=candidate.r * float(c[0]),
        votes=candidate.votes,
    )


def _inside(candidate: Candidate, disc: Disc) -> bool:
    """Whether a candidate is part of a disc already outlined: its relief or inner metal."""
    ellipse = disc.fit.ellipse
    away = float(ellipse.distance_px(np.array([[candidate.x, candidate.y]]))[0])
    return away < -0.15 * ellipse.major_px and 2 * candidate.r < 1.02 * ellipse.major_px


def _same(disc: Disc, other: Disc) -> bool:
    a, b = disc.fit.ellipse, other.fit.ellipse
    apart = float(np.hypot(a.centre_px[0] - b.centre_px[0], a.centre_px[1] - b.centre_px[1]))
    return apart < 0.35 * (a.major_px + b.major_px) / 2
