"""Diameters of drawn wires and tubes, against the widths they were drawn with.

The drawings share no code with the network's training (``drawn_wire.py``).
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import sqrt

import cv2
import numpy as np
import pytest
from scipy.stats import t as student

from rules.findings import Form, Unit
from tests.vision.drawn_wire import (
    COPPER,
    DARK,
    WHITE,
    WOOD,
    Bent,
    Look,
    Straight,
    draw,
    photo_of,
    region_of,
    scale_from_above,
)
from vision.pieces.centreline import CentreLine
from vision.types import Photo, Region, Scale
from vision.width.budget import coverage_factor, diameters_mm, doubt_px, independent
from vision.width.cylinder import apparent_edges_mm
from vision.width.diameter import DiameterReading, closer_words, measure_diameter
from vision.width.edges import Edges
from vision.width.runs import is_one_piece, plain_run

ACROSS = Straight(length=330, angle_deg=11, centre=(200, 130))
MM_PER_PX = 0.1


def read(photo: Photo, region: Region, scale: Scale | None = None) -> DiameterReading:
    return measure_diameter(photo, region, scale or scale_from_above(), form=Form.WIRE)


@pytest.mark.parametrize("shiny", [False, True], ids=["matte", "shiny"])
@pytest.mark.parametrize("table", [WHITE, WOOD, DARK], ids=["white", "wood", "dark"])
@pytest.mark.parametrize("width", [20.0, 45.5, 110.0])
def test_width_is_right_within_its_own_uncertainty(
    width: float, table: np.ndarray, shiny: bool
) -> None:
    look = Look(shiny=shiny, table=table, light_from=0.4, shadow=(0.1, 0.5))
    reading = read(*draw(ACROSS, width, look, seed=7))
    assert reading.diameter is not None
    error = reading.diameter.value - width * MM_PER_PX
    assert abs(error) < 3 * reading.diameter.u
    # A thin wire in its own shade on a dark table has no rim to be seen: 2.2 px off.
    assert abs(error) < max(0.05 * width, 2.4 if table is DARK else 1.2) * MM_PER_PX
    # A drawn table's shade beside a wire could be its rim: the networks say so.
    most = 0.21 if table is DARK else 0.12 if width < 30 else 0.07
    assert reading.diameter.u < most * width * MM_PER_PX
    assert reading.diameter.unit is Unit.MILLIMETRE


def test_parts_of_the_uncertainty_make_the_whole() -> None:
    got = read(*draw(ACROSS, 30.0, Look(), seed=2)).diameter
    assert got is not None
    assert sqrt(sum(part**2 for part in got.budget.values())) == pytest.approx(got.u)


def test_lines_to_draw_span_the_piece() -> None:
    reading = read(*draw(ACROSS, 40.0, Look(), seed=2))
    spans = np.linalg.norm(reading.lines_px[:, 1] - reading.lines_px[:, 0], axis=1)
    assert np.median(spans) == pytest.approx(40, abs=1.5)
    across, _ = ACROSS.across_and_along(reading.lines_px[..., 0], reading.lines_px[..., 1])
    assert np.median(np.abs(across)) == pytest.approx(20, abs=1)


@cache
def many() -> tuple[np.ndarray, ...]:
    """Errors, uncertainties, whether the interval held, widths: 200 random drawings."""
    rng = np.random.default_rng(2024)
    rows = []
    for seed in range(200):
        width = float(np.exp(rng.uniform(np.log(8), np.log(50))))
        look = Look(
            shiny=bool(rng.random() < 0.5),
            table=(WHITE, WOOD, DARK)[rng.integers(3)],
            light_from=rng.uniform(-0.8, 0.8),
            shadow=(rng.uniform(0, 0.6), rng.uniform(0, 0.6)),
            reach=rng.uniform(0.2, 1.5),
            texture=rng.uniform(0, 0.05),
            blur_px=rng.uniform(0.6, 1.6),
            noise=rng.uniform(0.003, 0.012),
        )
        axis = Straight(length=165, angle_deg=rng.uniform(-15, 15), centre=(100, 70))
        photo, region = draw(axis, width, look, size=(200, 140), seed=seed)
        got = read(photo, region, scale_from_above(size=(200, 140))).diameter
        if got is None:
            continue
        true = width * MM_PER_PX
        rows.append((got.value / true - 1, got.u / true, got.low95 <= true <= got.high95, width))
    return tuple(np.array(rows, float).T)


def test_stated_doubt_matches_the_real_errors() -> None:
    error, u, held, _ = many()
    assert len(error) >= 186  # about one in fifteen is not surely 8 px wide
    assert 0.90 <= held.mean() <= 0.995
    assert 0.4 < np.sqrt(np.mean((error / u) ** 2)) < 1.5


def test_errors_stay_small_where_there_are_pixels() -> None:
    error, _, _, width = many()
    wide = np.abs(error[width >= 20])
    assert np.median(wide) < 0.015  # 0.0134 when the networks were trained
    assert np.quantile(wide, 0.9) < 0.065  # 0.054 then
    # px, all widths; 0.381 when the networks were trained, on renders mostly
    assert np.median(np.abs(error * width)) < 0.45


def test_bent_pieces_measure_like_straight_ones() -> None:
    reading = read(*draw(Bent(length=330, radius=220, centre=(200, 100)), 26.0, Look(), seed=4))
    assert reading.diameter is not None
    assert abs(reading.diameter.value - 2.6) < 3 * reading.diameter.u


def test_a_fitting_does_not_count() -> None:
    # A third of the length wears a sleeve half as wide again.
    def width(along: np.ndarray) -> np.ndarray:
        return np.where(np.abs(along - 60) < 50, 45.0, 30.0)

    reading = read(*draw(ACROSS, width, Look(), seed=5))
    assert reading.diameter is not None
    assert abs(reading.diameter.value - 3.0) < 3 * reading.diameter.u
    _, along = ACROSS.across_and_along(*reading.lines_px.mean(axis=1).T)
    assert not np.any(np.abs(along - 60) < 25)


def test_another_piece_across_does_not_count() -> None:
    photo, region = draw(ACROSS, 24.0, Look(), seed=6)
    rgb = photo.rgb.copy()
    cv2.line(rgb, (150, 0), (230, 259), (190, 120, 90), 30, cv2.LINE_AA)
    mask = np.zeros(rgb.shape[:2], np.uint8)
    x, y, w, h = region.box_px
    mask[y : y + h, x : x + w] = region.mask
    cv2.line(mask, (175, 81), (205, 179), 1, 30)
    reading = read(photo_of(rgb), region_of(mask > 0))
    assert reading.diameter is not None
    assert abs(reading.diameter.value - 2.4) < 3 * reading.diameter.u + 0.02


def test_a_quarter_turn_or_a_mirror_changes_little() -> None:
    photo, region = draw(ACROSS, 28.0, Look(shadow=(0.0, 0.6)), seed=8)
    x, y, w, h = region.box_px
    mask = np.zeros(photo.rgb.shape[:2], bool)
    mask[y : y + h, x : x + w] = region.mask
    plain = read(photo, region).diameter
    turned = read(photo_of(np.ascontiguousarray(np.rot90(photo.rgb))), region_of(np.rot90(mask)))
    flipped = read(photo_of(np.ascontiguousarray(photo.rgb[:, ::-1])), region_of(mask[:, ::-1]))
    assert plain is not None and turned.diameter is not None and flipped.diameter is not None
    assert turned.diameter.value == pytest.approx(plain.value, rel=0.015)
    assert flipped.diameter.value == pytest.approx(plain.value, rel=0.015)


def test_twice_the_scale_is_twice_the_diameter() -> None:
    drawn = draw(ACROSS, 28.0, Look(), seed=9)
    once = read(*drawn, scale_from_above(mm_per_px=0.1)).diameter
    twice = read(*drawn, scale_from_above(mm_per_px=0.2, height_mm=2e6)).diameter
    assert once is not None and twice is not None
    assert twice.value == pytest.approx(2 * once.value, rel=1e-9)
    assert twice.u == pytest.approx(2 * once.u, rel=1e-6)


def test_standing_up_towards_the_camera_is_corrected() -> None:
    # 0.05 mm per px from 200 mm: a 4.5 mm wire on a table 0.76 mm below a card's face.
    left, right = apparent_edges_mm(4.5, axis_mm=0.0, camera_height_mm=200.0, face_height_mm=0.76)
    width_px = (right - left) / 0.05
    low = scale_from_above(mm_per_px=0.05, height_mm=200.0)
    low = Scale(**{f: getattr(low, f) for f in low.__dataclass_fields__} | {"face_height_mm": 0.76})
    far = scale_from_above(mm_per_px=0.05)
    drawn = draw(Straight(length=330, angle_deg=0, centre=(200, 130)), width_px, Look(), seed=10)
    near, high = read(*drawn, low).diameter, read(*drawn, far).diameter
    assert near is not None and high is not None
    assert near.value / high.value == pytest.approx(4.5 / (right - left), rel=1e-4)


def test_unknown_camera_height_is_paid_for() -> None:
    drawn = draw(ACROSS, 60.0, Look(), seed=11)
    known = scale_from_above(mm_per_px=0.2, height_mm=150.0)
    fields = {f: getattr(known, f) for f in known.__dataclass_fields__}
    coin = Scale(**fields | {"camera_mm": None, "u_away_rel_per_mm": 1e-4})
    sure, unsure = read(*drawn, known).diameter, read(*drawn, coin).diameter
    assert sure is not None and unsure is not None
    assert unsure.budget["camera_height"] > 0.02 * unsure.value
    assert unsure.u > sure.u


@pytest.mark.parametrize("angle_deg", [0.0, 70.0])
def test_tilt_is_corrected(angle_deg: float) -> None:
    """A 6 mm wire at 20 degrees of tilt, projected by its two touching planes."""
    focal, distance, tilt = 420.0, 220.0, np.deg2rad(20)
    forward = np.array([0.0, np.sin(tilt), -np.cos(tilt)])
    right, down = np.array([1.0, 0, 0]), np.cross(forward, [1.0, 0, 0])
    camera = -distance * forward
    rotation = np.stack([right, down, forward])
    intrinsic = np.array([[focal, 0, 200], [0, focal, 130], [0, 0, 1]])
    px_from_mm = intrinsic @ rotation @ np.column_stack([[1, 0, 0], [0, 1, 0], -camera])
    a = np.deg2rad(angle_deg)
    along, across = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
    foot = float(camera[:2] @ across)
    edges = apparent_edges_mm(6.0, axis_mm=4.0 - foot, camera_height_mm=camera[2])
    mm_from_px = np.linalg.inv(px_from_mm)

    class Projected:
        length = 130.0

        def across_and_along(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            at = np.stack([x, y, np.ones_like(x)], axis=-1) @ mm_from_px.T
            on_plane = at[..., :2] / at[..., 2:]
            side = on_plane @ across - foot
            unit = 2 * (side - edges[0]) / (edges[1] - edges[0]) - 1
            return unit.astype(np.float32), (on_plane @ along).astype(np.float32)

    photo, region = draw(Projected(), 2.0, Look(), seed=12)  # type: ignore[arg-type]
    scale = Scale(
        reference="marker:40",
        mm_from_px=mm_from_px,
        mm_per_px=distance / focal,
        u_rel=0.0005,
        budget={"fit": 0.0005},
        tilt_deg=20.0,
        residual_px=0.1,
        outlines_px=(),
        camera_mm=(float(camera[0]), float(camera[1]), float(camera[2])),
    )
    got = read(photo, region, scale).diameter
    assert got is not None
    assert abs(got.value - 6.0) < 3 * got.u
    # The drawing tests the network as well; the projection alone is exact.
    t = np.linspace(-40, 40, 9)[:, None]
    sides = [np.column_stack([t * along + (e + foot) * across, np.ones(9)]) for e in edges]
    left, right = (p[:, :2] / p[:, 2:] for p in (side @ px_from_mm.T for side in sides))
    exact = replace(edges_with(np.zeros(100)), left_px=left, right_px=right)
    assert diameters_mm(exact, photo, scale) == pytest.approx(6.0, rel=2e-3)


def test_too_thin_is_refused_and_says_how_close_to_go() -> None:
    photo, region = draw(ACROSS, 4.0, Look(), seed=13)
    scale = scale_from_above(mm_per_px=0.2, height_mm=400.0)
    reading = read(photo, region, scale)
    assert reading.diameter is None
    (problem,) = reading.problems
    assert problem.code == "too_thin_in_photo"
    # The drawing is smaller than any phone's photo.
    assert f"only {photo.width_px} x {photo.height_px} pixels" in problem.fix


def whole_photo(width_px: int, height_px: int) -> Photo:
    return Photo(name="p.jpg", sha256="0" * 64, rgb=np.zeros((height_px, width_px, 3), np.uint8))


@pytest.mark.parametrize(
    ("width_px", "size_px", "told"),
    [
        # 25 px are aimed at: 30 cm * 12.5 / 25 = 15 cm.
        (12.5, (4000, 3000), "Move from about 30 cm to about 15 cm."),
        # 30 cm * 5 / 25 = 6 cm, nearer than a phone can focus.
        (5.0, (4000, 3000), "Move from about 30 cm to about 10 cm. What stays too thin"),
        # 6 cm for a photo of 1600 pixels is 15 cm for one of 4000.
        (5.0, (1600, 1200), "only 1600 x 1200 pixels. Move from about 30 cm to about 15 cm."),
        # At full size 12.5 px are 31: it need not go nearer at all.
        (12.5, (1600, 1200), "not a smaller copy: this one has only 1600 x 1200 pixels."),
    ],
)
def test_the_way_closer_is_one_that_a_phone_can_go(
    width_px: float, size_px: tuple[int, int], told: str
) -> None:
    scale = scale_from_above(mm_per_px=0.1, height_mm=300.0)
    fix = closer_words(whole_photo(*size_px), scale, width_px=width_px, wanted_px=25.0)
    assert told in fix
    assert ("Move" in fix) == ("Move" in told)
    assert ("caliper" in fix) == ("What stays" in told)


def test_a_width_that_may_well_be_below_the_least_is_refused() -> None:
    soft = Look(table=WOOD, blur_px=2.0)
    photo, region = draw(ACROSS, 8.3, soft, seed=1)
    reading = read(photo, region)
    assert reading.diameter is None
    (problem,) = reading.problems
    assert problem.code == "too_thin_in_photo"
    assert read(*draw(ACROSS, 14.0, soft, seed=1)).diameter is not None


def test_a_width_just_above_the_least_is_told_with_its_doubt() -> None:
    # Drawn 8.6 px wide and seen so, but with a doubt of more than a pixel.
    reading = read(*draw(ACROSS, 8.6, Look(), seed=3))
    assert reading.diameter is None
    assert reading.width_px > 8
    assert "±" in reading.problems[0].text


def test_a_blob_has_no_diameter() -> None:
    mask = np.zeros((260, 400), np.uint8)
    cv2.circle(mask, (200, 130), 60, 1, -1)
    rgb = np.where(mask[..., None] > 0, np.uint8(120), np.uint8(220)).repeat(3, axis=2)
    reading = read(photo_of(rgb), region_of(mask > 0))
    assert reading.diameter is None
    assert reading.problems[0].code == "piece_too_short"


def test_sheet_is_not_asked_for_a_diameter() -> None:
    photo, region = draw(ACROSS, 30.0, Look(metal=COPPER), seed=14)
    reading = measure_diameter(photo, region, scale_from_above(), form=Form.SHEET)
    assert reading.diameter is None and reading.problems == ()


def test_plain_run_is_the_most_common_diameter() -> None:
    diameters = np.array([3.0] * 10 + [4.4] * 6 + [2.2] * 3)
    assert plain_run(diameters, tolerance_rel=0.04).tolist() == [True] * 10 + [False] * 9


def test_a_tube_is_measured_beside_its_fitting_not_on_it() -> None:
    # 15 mm tube in a socket of 17.4 mm (EN 1254-1 wall, from memory), more of the socket seen
    diameters = np.array([17.4] * 10 + [15.0] * 6 + [11.0] * 2)
    assert (
        plain_run(diameters, tolerance_rel=0.04).tolist() == [False] * 10 + [True] * 6 + [False] * 2
    )


def test_a_short_arm_of_a_thin_fitting_counts() -> None:
    # 28 mm tube in an elbow of 30.1 mm (EN 1254-1 wall, from memory), a third of it tube
    diameters = np.array([28.0, 28.2, 27.9, 28.1, 28.0] + [30.0, 30.1, 30.2] * 4)
    assert plain_run(diameters, tolerance_rel=0.04).tolist() == [True] * 5 + [False] * 12


def test_a_conductor_at_the_end_of_its_jacket_is_no_tube_in_a_fitting() -> None:
    # 25 mm2 conductor, 6.4 mm over its strands, in a jacket of 10 mm: more than half again
    diameters = np.array([6.4] * 6 + [10.0] * 10)
    assert plain_run(diameters, tolerance_rel=0.04).tolist() == [False] * 6 + [True] * 10


RUN = [True] * 8 + [False] * 12


@pytest.mark.parametrize(
    ("run_mm", "rest_mm", "expected"),
    [
        # 15 mm tube in an elbow of 17.4 mm; with a nut of 21 mm (EN 1254-1, from memory)
        pytest.param(15.0, [17.4] * 12, True, id="elbow"),
        pytest.param(15.0, [17.4] * 5 + [21.0] * 7, True, id="elbow and nut"),
        # 2.5 mm2 conductor, 1.78 mm thick, in a jacket of 3.4 mm
        pytest.param(3.4, [1.78] * 11 + [2.6], True, id="stripped for more than half"),
        pytest.param(1.78, [3.4] * 12, False, id="no wire wears a fitting"),
        pytest.param(8.0, [14.0] * 12, False, id="thicker than any nut"),
        pytest.param(3.4, [1.2] * 6 + [2.1] * 6, False, id="two other pieces"),
        pytest.param(2.6, list(np.linspace(2.75, 4.2, 12)), False, id="along a shadow"),
    ],
)
def test_what_is_as_thick_as_its_run_says(
    run_mm: float, rest_mm: list[float], expected: bool
) -> None:
    diameters = np.array([run_mm] * 8 + rest_mm)
    assert is_one_piece(diameters, np.array(RUN)) is expected


def test_a_run_over_most_of_the_line_needs_no_explanation() -> None:
    assert is_one_piece(np.array([2.0] * 10 + [3.0, 4.0, 1.0] * 3), np.arange(19) < 10)


def test_a_line_that_runs_on_over_other_pieces_is_refused() -> None:
    def width(along: np.ndarray) -> np.ndarray:
        return np.select([along < -25, along < 75], [18.0, 26.0], 38.0)

    reading = read(*draw(ACROSS, width, Look(), seed=9))
    assert reading.diameter is None
    (problem,) = reading.problems
    assert problem.code == "thickness_uneven"
    assert "nothing crosses or touches it" in problem.fix


def edges_with(width_logs: np.ndarray) -> Edges:
    line = CentreLine(
        points_px=np.zeros((3, 2)),
        tangents=np.tile([1.0, 0.0], (3, 1)),
        radius_px=8.0,
        radii_px=np.full(3, 8.0),
        step_px=1.0,
    )
    return Edges(
        left_px=np.zeros((3, 2)),
        right_px=np.tile([0.0, 16.0], (3, 1)),
        widths_px=np.arange(100) * 0.25,
        width_logs=np.tile(width_logs, (3, 1)),
        plainness=9.0,
        line=line,
    )


def test_two_widths_that_may_be_both_are_doubt() -> None:
    # A normal of 0.2 px is plain; half here and half 4 px wider has a deviation of 2 px.
    at = np.arange(100) * 0.25
    one, other = (np.exp(-0.5 * ((at - w) / 0.2) ** 2) for w in (16, 20))
    assert doubt_px(edges_with(np.log(one + 1e-12))) == pytest.approx(0, abs=0.05)
    assert doubt_px(edges_with(np.log(one + other + 1e-12))) == pytest.approx(2.0, abs=0.05)


def test_neighbours_that_move_together_count_for_fewer() -> None:
    rng = np.random.default_rng(1)
    white = rng.normal(size=400)
    slow = np.convolve(rng.normal(size=420), np.ones(21) / 21, mode="valid")
    assert independent(white) > 200
    # A running mean of 21 leaves about one independent value in 21.
    assert 8 < independent(slow) < 60


@pytest.mark.parametrize("freedom", [3, 5, 10, 50])
def test_coverage_factor_is_students(freedom: int) -> None:
    # scipy.stats.t, an independent implementation.
    assert coverage_factor(1.0, 1.0, freedom) == pytest.approx(
        student.ppf(0.975, freedom), rel=0.02
    )
