"""Rings of edges around a middle: those drawn, no others, and the rounder before the longer."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.vision.reference.coin.drawn_discs import disc_photo
from vision.reference.coin.discs import WIDE_RANGE, WIDE_SPANS, WIDE_TOLERANCE
from vision.reference.coin.rings import (
    WIDE_SETS,
    Ring,
    _peaks,
    _polish,
    edges_along_rays,
    merit,
    rings_of,
)
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


def drawn_oval(ratio: float) -> Image:
    """The disc as seen from far at a tilt: as wide, and so much less high."""
    photo = disc_photo(size=(400, round(300 / ratio)), at=(203.0, 148.0 / ratio))
    return np.asarray(cv2.resize(photo, (400, 300), interpolation=cv2.INTER_AREA))


@pytest.mark.parametrize("tilt_deg", [15, 25])
def test_a_tilted_discs_ring_is_as_long_as_the_cosine_says(tilt_deg: float) -> None:
    # Axes 1 and cos(tilt): their half difference over their mean is the second order's share.
    ratio = float(np.cos(np.radians(tilt_deg)))
    best = rings(drawn_oval(ratio))[0]
    c = best.coefficients
    assert c[0] == pytest.approx((1 + ratio) / 2, abs=0.015)
    assert c[3] == pytest.approx((1 - ratio) / 2, abs=0.015), "long from left to right"
    assert abs(c[4]) < 0.012


def test_a_start_off_the_middle_is_told_how_far() -> None:
    crop = crop_disc(
        disc_photo(), Start(x=203.0 - 6.0, y=148.0 + 3.0, r=60.0), radius_px=56.0, reach=1.75
    )
    found, _ = rings_of(
        crop, span=WIDE_RANGE, tolerance=WIDE_TOLERANCE, spans=WIDE_SPANS, sets=WIDE_SETS
    )
    # To the middle it is 6 px right and 3 px up, in radii of 60 px.
    assert found[0].coefficients[1:3] == pytest.approx([0.1, -0.05], abs=0.01)


def test_twice_as_large_a_photo_has_the_same_ring() -> None:
    photo = disc_photo()
    large = np.asarray(cv2.resize(photo, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC))
    crop = crop_disc(large, Start(x=406.5, y=296.5, r=120.0), radius_px=56.0, reach=1.75)
    found, _ = rings_of(
        crop, span=WIDE_RANGE, tolerance=WIDE_TOLERANCE, spans=WIDE_SPANS, sets=WIDE_SETS
    )
    assert found[0].coefficients[:3] == pytest.approx(rings(photo)[0].coefficients[:3], abs=0.01)


def test_a_bare_table_has_no_ring_with_support() -> None:
    assert all(ring.support < 0.42 for ring in rings(disc_photo(radius_px=0.0)))


@pytest.mark.parametrize("at", [0.9, 0.963, 1.1])
def test_an_edge_is_placed_between_the_samples_where_it_was_drawn(at: float) -> None:
    reach = np.linspace(0.8, 1.2, 81)
    light = 200 - 120 / (1 + np.exp((reach - at) / 0.008))  # a soft step of known middle
    polar = np.repeat(light[None, :, None], 3, axis=2).astype(np.float32)
    radius, strength = _peaks(polar, reach)
    assert radius[0, 0] == pytest.approx(at, abs=0.001)
    assert (radius[0, 1:][strength[0, 1:] == 0] == MISSING).all()


def test_a_ring_is_fitted_through_its_edges_and_past_strangers() -> None:
    # Known coefficients; one edge in five belongs to something else.
    t = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    truth = np.array([1.0, 0.02, -0.015, 0.03, 0.01])
    basis = np.column_stack([np.ones(90), np.cos(t), np.sin(t), np.cos(2 * t), np.sin(2 * t)])
    radius = np.full((90, 7), MISSING, np.float32)
    radius[:, 0] = basis @ truth
    radius[::5, 0] += 0.12
    trust = (radius < MISSING).astype(np.float32)
    start = truth + np.array([0.004, -0.004, 0.003, 0.0, 0.002])
    (ring,) = _polish(start[None], radius, trust, 0.012)
    assert ring.coefficients == pytest.approx(truth, abs=1e-4)
    assert ring.support == pytest.approx(0.8, abs=0.01)
    assert ring.misfit < 1e-4


def test_better_borne_out_counts_more_and_colour_counts_too() -> None:
    ring = rings(disc_photo())[0]
    assert merit(replace(ring, support=ring.support - 0.1)) == pytest.approx(merit(ring) - 0.1)
    assert merit(replace(ring, parts=-ring.parts)) < merit(ring)
