"""Strand ends on a cut face, against drawn faces of exact size and number.

Numbers of wires are those of concentric lay: 7, 19 and 37 (ASTM B8, IEC 60228).
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from rules.errors import PhotoError
from tests.vision.drawn_wire import photo_of, scale_from_above
from vision.types import Photo, Region
from vision.width.strand.cut_end import (
    APART,
    APART_U_REL,
    CUT_LEVEL_U_MM,
    EDGE_U_PX,
    StrandEnds,
    _circle,
    _packed,
    detect_strand_ends,
    measure_cut_end,
)

COPPER = np.array([0.75, 0.45, 0.33])


def drawn_face(
    layers: int, *, strand_px: float, seed: int, gap: float = 0.03, blur_px: float = 0.9
) -> np.ndarray:
    """Draw the cut face of a concentric lay at several times the size, then shrink it."""
    rng = np.random.default_rng(seed)
    fine = 4 if strand_px < 50 else 2  # big discs need no finer stairs
    d = strand_px * fine
    side = int(d * (2 * layers + 1) * 1.5)
    image = np.full((side, side, 3), rng.uniform(0.02, 0.08))
    middle = np.full(2, side / 2) + rng.uniform(-3, 3, 2)
    places = [(0.0, 0.0)]
    for layer in range(1, layers + 1):
        turn = rng.uniform(0, 2 * np.pi) + 2 * np.pi * np.arange(6 * layer) / (6 * layer)
        places += [(layer * np.cos(t), layer * np.sin(t)) for t in turn]
    lamp = rng.uniform(-0.3, 0.3, 2)
    for px, py in places:
        centre = middle + np.array([px, py]) * d * (1 + gap)
        x0, y0 = (max(0, int(c - d / 2)) for c in centre)
        near = image[y0 : y0 + int(d) + 2, x0 : x0 + int(d) + 2]
        yy, xx = np.ogrid[y0 : y0 + near.shape[0], x0 : x0 + near.shape[1]]
        inside = np.hypot(xx - centre[0], yy - centre[1]) <= d / 2
        level = rng.uniform(0.5, 1.0) * (1 + lamp[0] * px / 3 + lamp[1] * py / 3)
        near[inside] = COPPER * level * 0.6
    image = cv2.GaussianBlur(image, (0, 0), blur_px * fine)
    image = cv2.resize(image, None, fx=1 / fine, fy=1 / fine, interpolation=cv2.INTER_AREA)
    image = image + rng.normal(0, 0.004, image.shape)
    coded = np.where(
        image <= 0.0031308, 12.92 * image, 1.055 * np.maximum(image, 1e-9) ** (1 / 2.4) - 0.055
    )
    return np.clip(coded * 255 + 0.5, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("layers", "count"), [(1, 7), (2, 19), (3, 37)])
@pytest.mark.parametrize("strand_px", [14.0, 37.0, 90.0])
def test_strands_are_counted_and_sized(layers: int, count: int, strand_px: float) -> None:
    ends = detect_strand_ends(drawn_face(layers, strand_px=strand_px, seed=layers))
    # A dark end among bright ones may be missed where a strand has few pixels.
    assert abs(ends.count - count) <= (1 if strand_px < 20 else 0)
    assert ends.diameter_px == pytest.approx(strand_px, rel=0.03, abs=0.4)


def test_stated_scatter_covers_the_real_error() -> None:
    faces = [(s, 18.0 + 2.3 * s) for s in range(12)]
    seen = [detect_strand_ends(drawn_face(2, strand_px=d, seed=s)) for s, d in faces]
    errors = [abs(ends.diameter_px - d) / d for ends, (_, d) in zip(seen, faces, strict=True)]
    assert max(errors) < 0.04


def test_an_empty_picture_has_no_strands() -> None:
    flat = np.full((200, 200, 3), 120, np.uint8)
    with pytest.raises(PhotoError) as fault:
        detect_strand_ends(flat)
    assert fault.value.code == "no_strand_ends"


# ----------------------------------------------------------------- one strand's size


def ends_of(
    diameters_px: list[float], *, spacing_px: float | None = None, count: int | None = None
) -> StrandEnds:
    n = len(diameters_px)
    return StrandEnds(
        centres_px=np.column_stack([np.arange(n) * 20.0, np.zeros(n)]),
        diameters_px=np.array(diameters_px),
        count=count or n,
        spacing_px=spacing_px,
    )


def test_edges_and_spacing_count_by_the_inverse_of_their_variance() -> None:
    # Weighted mean of two independent values (JCGM 100, H.1; Bevington, from memory).
    edge, packed = 10.0, 12.0
    told = ends_of([edge] * 3, spacing_px=packed * APART)
    weights = np.array([EDGE_U_PX, APART_U_REL * packed]) ** -2.0
    assert told.diameter_px == pytest.approx(np.average([edge, packed], weights=weights))
    assert edge < told.diameter_px < packed


def test_without_packed_neighbours_the_edges_alone_count() -> None:
    assert ends_of([9.0, 10.0, 30.0]).diameter_px == 10.0  # the middle one, not the mean
    assert ends_of([10.0]).u_px == pytest.approx(EDGE_U_PX)


def test_spacing_makes_surer_and_scatter_less_sure() -> None:
    alone, both = ends_of([12.0] * 7), ends_of([12.0] * 7, spacing_px=12.2)
    assert both.u_px < alone.u_px
    assert ends_of([4.0, 8.0, 12.0, 16.0, 20.0]).u_px > alone.u_px


@pytest.mark.parametrize("centre", [(0.0, 0.0), (3.0, -2.0)])
def test_a_circle_runs_through_its_points_and_past_stray_ones(centre: tuple[float, float]) -> None:
    t = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    points = np.column_stack([np.cos(t), np.sin(t)]) * 7.5 + centre
    middle, radius = _circle(points)
    assert middle == pytest.approx(centre, abs=1e-6)
    assert radius == pytest.approx(7.5, abs=1e-6)
    points[::6] *= 1.4  # one edge in six belongs to a neighbour
    middle, radius = _circle(points)
    assert radius == pytest.approx(7.5, abs=0.05)


def test_only_discs_that_touch_make_a_bundle() -> None:
    # Seven on a hexagonal lattice one diameter apart, and three elsewhere, each by itself.
    t = np.arange(6) * np.pi / 3
    bundle = np.concatenate([[[0.0, 0.0]], np.column_stack([np.cos(t), np.sin(t)])]) * 20 + 100
    apart = np.array([[200.0, 10], [10, 200], [260, 260]])
    packed = _packed(np.concatenate([bundle, apart]), np.ones(10), radius=10.0)
    assert packed.tolist() == [True] * 7 + [False] * 3


@pytest.mark.parametrize("strong", [0, 1])
def test_of_two_bundles_the_one_that_stands_out_more_counts(strong: int) -> None:
    t = np.arange(6) * np.pi / 3
    bundle = np.concatenate([[[0.0, 0.0]], np.column_stack([np.cos(t), np.sin(t)])]) * 20
    both = np.concatenate([bundle + 100, bundle + 300])
    is_strong = np.repeat([0, 1], 7) == strong
    packed = _packed(both, np.where(is_strong, 2.0, 1.0), radius=10.0)
    assert packed.tolist() == is_strong.tolist()


# --------------------------------------------------------------- from photo to mm


def photo_with(face: np.ndarray, at: tuple[int, int] = (60, 40)) -> tuple[Photo, Region]:
    """A dark photo with the face on it, and the disc that it fills as the piece."""
    h, w = face.shape[:2]
    rgb = np.full((h + 100, w + 140, 3), face[0, 0], np.uint8)
    rgb[at[1] : at[1] + h, at[0] : at[0] + w] = face
    yy, xx = np.mgrid[:h, :w]
    mask = np.hypot(xx - w / 2, yy - h / 2) < 0.36 * w
    return photo_of(rgb), Region(
        box_px=(*at, w, h), mask=mask, outline_px=np.zeros((4, 2)), score=1.0
    )


FACE = drawn_face(1, strand_px=24.0, seed=1)


@pytest.mark.parametrize("mm_per_px", [0.05, 0.1])
def test_a_strand_is_as_thick_as_it_was_drawn(mm_per_px: float) -> None:
    photo, region = photo_with(FACE)
    strand, ends = measure_cut_end(photo, region, scale_from_above(mm_per_px=mm_per_px))
    assert ends.count == 7
    assert strand.value == pytest.approx(24.0 * mm_per_px, rel=0.03)
    assert abs(strand.value - 24.0 * mm_per_px) < 2 * strand.u
    assert strand.u == pytest.approx(np.sqrt(sum(u**2 for u in strand.budget.values())))


def test_the_ends_lie_on_the_photo_where_they_were_drawn() -> None:
    photo, region = photo_with(FACE, at=(90, 20))
    _, ends = measure_cut_end(photo, region, scale_from_above())
    x, y = np.round(ends.centres_px).astype(int).T
    assert (photo.rgb[y, x, 0] > photo.rgb[0, 0, 0] + 60).all()
    middle = np.array([90, 20]) + np.array(FACE.shape[1::-1]) / 2
    assert ends.centres_px.mean(axis=0) == pytest.approx(middle, abs=6)


def test_from_nearer_the_level_of_the_face_matters_more() -> None:
    # Similar triangles: 3 mm of 150 are 2 %, of 300 they are 1 %.
    photo, region = photo_with(FACE)
    near, far = (
        measure_cut_end(photo, region, scale_from_above(height_mm=z))[0] for z in (150.0, 300.0)
    )
    assert near.budget["height"] / near.value == pytest.approx(CUT_LEVEL_U_MM / 150)
    assert far.budget["height"] / far.value == pytest.approx(CUT_LEVEL_U_MM / 300)


def test_strands_of_a_few_pixels_are_refused_with_what_to_do() -> None:
    photo, region = photo_with(drawn_face(3, strand_px=5.0, seed=3, blur_px=0.6))
    with pytest.raises(PhotoError) as fault:
        measure_cut_end(photo, region, scale_from_above())
    assert fault.value.code in ("strand_too_small", "no_strand_ends")
    assert fault.value.fix


def test_a_face_turned_upside_down_gives_the_same_strand() -> None:
    photo, region = photo_with(FACE)
    turned = photo_of(np.ascontiguousarray(photo.rgb[::-1, ::-1]))
    x, y, w, h = region.box_px
    other = replace(
        region,
        box_px=(photo.width_px - x - w, photo.height_px - y - h, w, h),
        mask=region.mask[::-1, ::-1],
    )
    one, two = (
        measure_cut_end(p, r, scale_from_above())[0] for p, r in ((photo, region), (turned, other))
    )
    assert two.value == pytest.approx(one.value, rel=0.01)
