"""Rings of edges around a middle: those drawn, no others, and the rounder before the longer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.vision.reference.coin.drawn_discs import disc_photo
from vision.reference.coin.discs import WIDE_RANGE, WIDE_SPANS, WIDE_TOLERANCE
from vision.reference.coin.rings import WIDE_SETS, Ring, edges_along_rays, merit, rings_of
from vision.reference.coin.surround import MISSING, Start, crop_disc
from vision.types import Image


def rings(photo: Image, radius_px: float = 60.0) -> list[Ring]:
    start = Start(x=203.0, y=148.0, r=radius_px)
    crop = crop_disc(photo, start, radius_px=56.0, reach=1.75)
    found, _ = rings_of(
        crop, span=WIDE_RANGE, tolerance=WIDE_TOLERANCE, spans=WIDE_SPANS, sets=WIDE_SETS
    )
    return found


def test_the_best_ring_is_the_discs_outline() -> None:
    best = rings(disc_photo(), radius_px=57.0)[0]
    assert best.coefficients[0] == pytest.approx(60 / 57, rel=0.01)
    assert best.support > 0.8
    assert best.misfit < 0.01
    assert best.parts > 0.5, "the disc's colour lies within"


def test_two_metals_give_two_rings() -> None:
    sizes = [ring.coefficients[0] for ring in rings(disc_photo(inner_px=42.0))]
    assert min(abs(size - 1.0) for size in sizes) < 0.01
    assert min(abs(size - 0.7) for size in sizes) < 0.01


def test_of_two_rings_alike_the_rounder_counts() -> None:
    ring = rings(disc_photo())[0]
    oval = replace(ring, coefficients=ring.coefficients + np.array([0, 0, 0, 0.06, 0]))
    assert merit(oval) < merit(ring)


def test_edges_along_rays_lie_where_they_were_drawn() -> None:
    angle = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    rays = 60.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    reach = np.arange(0.80, 1.22, 0.0075)
    radius, trust, metal = edges_along_rays(disc_photo(), np.array([203.0, 148.0]), rays, reach)
    strongest = radius[:, 0]
    assert strongest == pytest.approx(np.ones(36), abs=0.012)
    assert (trust[:, 0] > 0.15).all()
    assert (radius[trust == 0] == MISSING).all() or (trust[radius == MISSING] == 0).all()
    assert metal[:, :15].mean() > 0.8
    assert metal[:, -15:].mean() < 0.2
