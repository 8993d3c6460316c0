"""Which ring bounds a coin: the outer of two metals, not its shadow; and its ellipse."""

from __future__ import annotations

import numpy as np
import pytest

from tests.vision.reference.coin.drawn_discs import disc_photo
from vision.reference.coin.discs import WIDE_RANGE, WIDE_SPANS, WIDE_TOLERANCE
from vision.reference.coin.ellipse import Ellipse
from vision.reference.coin.outline import face_of, in_frame, outline_ring, ring_to_ellipse
from vision.reference.coin.rings import WIDE_SETS, Ring, rings_of
from vision.reference.coin.surround import Start, Surround, crop_disc
from vision.types import Image

START = Start(x=203.0, y=148.0, r=60.0)


def outlined(photo: Image) -> Ring:
    crop = crop_disc(photo, START, radius_px=56.0, reach=1.75)
    found, around = rings_of(
        crop, span=WIDE_RANGE, tolerance=WIDE_TOLERANCE, spans=WIDE_SPANS, sets=WIDE_SETS
    )
    ring = outline_ring(found, around)
    assert ring is not None
    return ring


def test_the_joint_of_two_metals_is_not_the_outline() -> None:
    assert outlined(disc_photo(inner_px=42.0)).coefficients[0] == pytest.approx(1.0, abs=0.015)


def test_a_dark_seam_around_is_not_the_coins() -> None:
    # 3 px of shadow on a radius of 60: the outline must not lie on its far side, 5 % out
    assert outlined(disc_photo(seam_px=3.0)).coefficients[0] == pytest.approx(1.0, abs=0.03)


def test_without_rings_there_is_no_outline() -> None:
    crop = crop_disc(disc_photo(), START, radius_px=56.0, reach=1.75)
    _, around = rings_of(
        crop, span=WIDE_RANGE, tolerance=WIDE_TOLERANCE, spans=WIDE_SPANS, sets=WIDE_SETS
    )
    assert outline_ring([], around) is None


def test_a_rings_ellipse_runs_through_the_rings_points() -> None:
    """Fourier terms of the second order are an ellipse's stretch to first order."""
    t = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    c = np.array([1.02, 0.03, -0.02, 0.03, 0.02])
    radius = (
        np.column_stack([np.ones_like(t), np.cos(t), np.sin(t), np.cos(2 * t), np.sin(2 * t)]) @ c
    )
    ring = Ring(coefficients=c, radius=radius, support=1.0, misfit=0.0)
    ellipse = ring_to_ellipse(ring, START)
    x = START.x + START.r * radius * np.cos(t)
    y = START.y + START.r * radius * np.sin(t)
    radii = [ellipse.radius_of(float(px), float(py)) for px, py in zip(x, y, strict=True)]
    assert radii == pytest.approx([1.0] * 90, abs=0.006)


def test_only_what_lies_whole_in_view_is_in_the_frame() -> None:
    photo = disc_photo()

    def at(x: float) -> Ellipse:
        return Ellipse(centre_px=(x, 148.0), major_px=120.0, minor_px=110.0, angle_deg=0.0)

    assert in_frame(at(203.0), photo)
    assert not in_frame(at(55.0), photo)
    assert not in_frame(at(345.0), photo)


def test_a_face_has_the_colours_that_were_drawn() -> None:
    """Linear light by IEC 61966-2-1 of the codes drawn: middle 150, 112, 62; ring 170, 168, 160."""
    crop = crop_disc(disc_photo(inner_px=42.0), START, radius_px=56.0, reach=1.75)
    face = face_of(crop, outlined(disc_photo(inner_px=42.0)))
    assert face.centre == pytest.approx([0.305, 0.162, 0.048], rel=0.06)
    assert face.rim == pytest.approx([0.402, 0.392, 0.352], rel=0.06)


def ring_at(size: float, *, support: float = 0.9, off: float = 0.0, parts: float = 0.5) -> Ring:
    return Ring(
        coefficients=np.array([size, off, 0.0, 0.0, 0.0]),
        radius=size + off * np.cos(np.linspace(0, 2 * np.pi, 90, endpoint=False)),
        support=support,
        misfit=0.002,
        parts=parts,
    )


def plain_surround() -> Surround:
    crop = crop_disc(disc_photo(), START, radius_px=56.0, reach=1.75)
    _, around = rings_of(
        crop, span=WIDE_RANGE, tolerance=WIDE_TOLERANCE, spans=WIDE_SPANS, sets=WIDE_SETS
    )
    return around


def test_of_steps_within_one_another_the_outer_one_bounds_the_coin() -> None:
    inner, outer = ring_at(0.90), ring_at(0.99, support=0.75)
    chosen = outline_ring([inner, outer], plain_surround())
    assert chosen is not None
    assert chosen.coefficients[0] == pytest.approx(0.99)


def test_a_weak_ring_further_out_is_none_of_the_coin() -> None:
    inner, weak = ring_at(0.99), ring_at(1.10, support=0.3)
    chosen = outline_ring([inner, weak], plain_surround())
    assert chosen is not None
    assert chosen.coefficients[0] == pytest.approx(0.99)


def test_a_ring_around_another_middle_is_a_neighbours() -> None:
    own, neighbour = ring_at(0.99), ring_at(1.12, support=0.85, off=0.1)
    chosen = outline_ring([own, neighbour], plain_surround())
    assert chosen is not None
    assert chosen.coefficients[:2] == pytest.approx([0.99, 0.0])


def test_of_near_rivals_the_mean_is_taken_by_merit() -> None:
    # Two alike 1 % apart: half way. Where one is far better, it alone.
    alike = outline_ring([ring_at(0.995), ring_at(1.005)], plain_surround())
    better = outline_ring([ring_at(0.995, support=0.95), ring_at(1.005, support=0.5)],
                          plain_surround())  # fmt: skip
    assert alike is not None and better is not None
    assert alike.coefficients[0] == pytest.approx(1.0, abs=1e-6)
    assert better.coefficients[0] == pytest.approx(0.995, abs=1e-3)
