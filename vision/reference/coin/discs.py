"""Where on the photo do round things lie? Coin-like discs, found and outlined.

Only where the network sees a reference: rings of edges around the middle of each patch
(:mod:`vision.reference.coin.rings`), and the outline among them
(:mod:`vision.reference.coin.outline`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vision.reference.coin.outline import (
    Disc,
    face_of,
    in_frame,
    outline_ring,
    ring_to_ellipse,
)
from vision.reference.coin.rings import FINE_SETS, WIDE_SETS, Ring, rings_of
from vision.reference.coin.surround import Crop, Start, crop_disc
from vision.reference.places import Place
from vision.types import Image

WIDE_TOLERANCE, FINE_TOLERANCE = 0.015, 0.011
WIDE_RADIUS_PX = 56.0  # radius of a disc in its crop for the wide look
FINE_RADIUS_PX = 190.0  # and at most so much for the fine look
WIDE_RANGE = (0.64, 1.62)
FINE_RANGE = (0.86, 1.14)
DISCS_TRIED = 64  # a table full of coins
# Of a disc's clearest ring: of 44 rendered coins that lie alone one has 0.41 and one 0.42. On 305
# real photos without the named coin 0.36 finds no more than 0.42 does (none named eu-1; us-25c on
# 153 and us-1c on 152 of them: one and none). Where coins touch, and rings run over several, 95 %
# of 150 real coins lie over 0.52.
MIN_SUPPORT, MIN_SUPPORT_TOUCHING = 0.36, 0.50
FINE_SPANS = ((0.76, 0.80, 0.84, 0.88, 0.92), (1.12, 1.17, 1.22, 1.27))
WIDE_SPANS = ((0.55, 0.62, 0.69, 0.76, 0.83, 0.9), (1.5, 1.56, 1.62, 1.68))
MOVED = 0.04  # look again where the ring was not where the colours were sampled for


def find_discs(rgb: Image, *, places: Sequence[Place]) -> tuple[Disc, ...]:
    """Return all coin-like discs on a photo, whole in the frame, best first.

    Args:
        rgb: ``(h, w, 3)`` uint8 sRGB.
        places: Where they may lie.
    """
    starts = []
    for place in places:
        if place.is_round and len(place.discs_px) < 2:
            x, y = place.centre_px
            starts.append((Start(x=x, y=y, r=place.radius_px), MIN_SUPPORT))
        else:
            starts += [
                (Start(x=float(x), y=float(y), r=float(r)), MIN_SUPPORT_TOUCHING)
                for x, y, r in place.discs_px
            ]
    discs: list[Disc] = []
    for start, least in sorted(starts, key=lambda one: -one[0].r)[:DISCS_TRIED]:
        if any(_inside(start, disc) for disc in discs):
            continue
        disc = _outlined(rgb, start, least_support=least)
        if disc is not None and not any(_same(disc, other) for other in discs):
            discs.append(disc)
    return tuple(sorted(discs, key=lambda d: -d.support))


def _outlined(rgb: Image, start: Start, *, least_support: float) -> Disc | None:
    """Find the disc around a start and describe it."""
    placed = _place(rgb, start, least_support=least_support)
    if placed is None:
        return None
    start, ring, crop = placed
    ellipse = ring_to_ellipse(ring, start)
    if not in_frame(ellipse, rgb):
        return None
    return Disc(
        ellipse=ellipse,
        residual_px=ring.misfit * start.r,
        support=ring.support,
        face=face_of(crop, ring),
    )


def _place(rgb: Image, start: Start, *, least_support: float) -> tuple[Start, Ring, Crop] | None:
    """The ring that bounds the disc of a start, first at low, then at full resolution."""
    crop = crop_disc(rgb, start, radius_px=WIDE_RADIUS_PX, reach=1.75)
    rings, around = rings_of(
        crop, span=WIDE_RANGE, tolerance=WIDE_TOLERANCE, spans=WIDE_SPANS, sets=WIDE_SETS
    )
    if max((ring.support for ring in rings), default=0.0) < least_support:
        return None
    ring = outline_ring(rings, around)
    for _ in range(2):
        if ring is None:
            return None
        start = _recentred(start, ring)
        crop = crop_disc(rgb, start, radius_px=FINE_RADIUS_PX, reach=1.3)
        rings, around = rings_of(
            crop, span=FINE_RANGE, tolerance=FINE_TOLERANCE, spans=FINE_SPANS, sets=FINE_SETS
        )
        ring = outline_ring(rings, around)
        if ring is not None and abs(float(ring.coefficients[0]) - 1) < MOVED:
            break
    return None if ring is None else (start, ring, crop)


def _recentred(start: Start, ring: Ring) -> Start:
    """The start moved and sized to a ring."""
    c = ring.coefficients
    return Start(
        x=start.x + float(c[1]) * start.r,
        y=start.y + float(c[2]) * start.r,
        r=start.r * float(c[0]),
    )


def _inside(start: Start, disc: Disc) -> bool:
    """Whether a start is part of a disc already outlined: its relief or inner metal."""
    ellipse = disc.ellipse
    within = ellipse.radius_of(start.x, start.y) < 0.7
    return within and 2 * start.r < 1.02 * ellipse.major_px


def _same(disc: Disc, other: Disc) -> bool:
    a, b = disc.ellipse, other.ellipse
    apart = float(np.hypot(a.centre_px[0] - b.centre_px[0], a.centre_px[1] - b.centre_px[1]))
    return apart < 0.35 * (a.major_px + b.major_px) / 2
