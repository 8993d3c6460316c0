"""Single strands of fanned-out ends: drawn ones of known width, and the arithmetic."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rules.findings import Measurement, Unit
from tests.vision.drawn_fan import BUNDLE_END_PX, FAN_SIZE, TIP_PX, draw_fan, fan_curves
from tests.vision.drawn_wire import DARK, WHITE, WOOD, Look, Straight, draw, scale_from_above
from vision.pieces.centreline import centre_line
from vision.types import Photo, Region, Scale
from vision.width.fan_lines import find_fan
from vision.width.fanned import (
    FanReading,
    LimbWidth,
    agree,
    bounded_by_width,
    is_uneven,
    joined,
    pooled_strand,
    single_strands,
    strands_of_fan,
)

MM_PER_PX = 0.1
SCALE = scale_from_above(mm_per_px=MM_PER_PX, size=FAN_SIZE)


def read(photo: Photo, region: Region, scale: Scale = SCALE) -> FanReading | None:
    return strands_of_fan(photo, region, scale)


def fan_of(
    width_px: float,
    look: Look,
    *,
    strands: int = 7,
    apart: float = 4.0,
    turn: float = 0,
    seed: int = 0,
) -> FanReading | None:
    curves = fan_curves(strands, width_px, apart=apart, seed=seed)
    photo, region = draw_fan(curves, width_px, look, turn_deg=turn, seed=seed)
    return read(photo, region)


def limb(mm: float, *, px: float = 10.0, length: float = 100.0, **rest: float) -> LimbWidth:
    parts = {"edges": 0.03 * mm, "layout": 0.03 * mm, "scatter": 0.01 * mm}
    u = float(np.hypot.reduce(list(parts.values())))
    seen = Measurement.normal(mm, u, Unit.MILLIMETRE, budget=parts)
    return replace(LimbWidth(diameter=seen, width_px=px, length_px=length), **rest)  # type: ignore[arg-type]


# ------------------------------------------------------------------ from a photo


# Truth: the width drawn.
@pytest.mark.parametrize("turn", [7.0, 64.0])
@pytest.mark.parametrize(
    ("width_px", "shiny", "blur_px"), [(6.0, False, 0.8), (8.0, True, 0.8), (10.0, False, 1.1)]
)
def test_a_drawn_strand_is_right_within_its_own_uncertainty(
    width_px: float, shiny: bool, blur_px: float, turn: float
) -> None:
    reading = fan_of(width_px, Look(shiny=shiny, blur_px=blur_px), turn=turn)
    assert reading is not None
    strand = reading.strand_diameter
    assert strand is not None
    assert abs(strand.value - width_px * MM_PER_PX) < 2 * strand.u
    assert strand.u < 0.25 * strand.value
    assert reading.strands >= 3


def test_a_strand_of_16_awg_is_1_291_mm() -> None:
    # ASTM B258: 16 AWG is 1.291 mm; 9 px of 0.1434 mm.
    width_px = 9.0
    curves = fan_curves(7, width_px, apart=4.0, seed=3)
    photo, region = draw_fan(curves, width_px, Look(), turn_deg=20, seed=3)
    scale = scale_from_above(mm_per_px=1.291 / width_px, size=FAN_SIZE)
    reading = read(photo, region, scale)
    assert reading is not None
    assert reading.strand_diameter is not None
    assert reading.strand_diameter.value == pytest.approx(1.291, rel=0.06)


def test_stated_uncertainty_covers_the_scatter_of_drawn_fans() -> None:
    rng = np.random.default_rng(5)
    z = []
    for seed in range(10):
        width_px = float(rng.uniform(6, 11))
        look = Look(
            shiny=bool(rng.random() < 0.5),
            table=WHITE if rng.random() < 0.7 else np.array([0.45, 0.47, 0.5]),
            light_from=float(rng.uniform(-0.6, 0.6)),
            blur_px=float(rng.uniform(0.6, 1.5)),
            quality=int(rng.integers(80, 96)),
        )
        turn = float(rng.uniform(0, 90))
        reading = fan_of(width_px, look, apart=float(rng.uniform(3, 5)), turn=turn, seed=seed)
        if reading is None or reading.strand_diameter is None:
            continue
        strand = reading.strand_diameter
        z.append((strand.value - width_px * MM_PER_PX) / strand.u)
    assert len(z) >= 6, "most drawn fans can be read"
    rms = float(np.sqrt(np.mean(np.square(z))))
    assert rms < 1.3, "we claim less doubt than there is"
    assert rms > 0.15, "we claim far more doubt than there is"


def test_a_dark_table_is_no_reason_to_be_surer_than_right() -> None:
    # Shiny rims mirror the dark table and shadows look like them.
    reading = fan_of(12.0, Look(table=DARK), apart=3.0, turn=52, seed=4)
    assert reading is not None
    if reading.strand_diameter is not None:
        assert abs(reading.strand_diameter.value - 1.2) < 2.5 * reading.strand_diameter.u


def test_one_thin_limb_alone_is_no_strand() -> None:
    # It may as well be the bare conductor of a stripped wire.
    width_px = 8.0
    curves = fan_curves(7, width_px, apart=1.0)
    x = np.arange(FAN_SIZE[0], dtype=float)
    curves.append(curves[-1] + 5 * width_px * np.clip((x - 220) / 120, 0, 1) ** 1.5)
    photo, region = draw_fan(curves, width_px, Look(), tips_px=[330.0] * 7 + [TIP_PX + 40])
    assert read(photo, region) is None


def test_lines_run_along_the_middles_of_the_strands() -> None:
    curves = fan_curves(5, 8.0, apart=6.0, seed=2)
    photo, region = draw_fan(curves, 8.0, Look(), seed=2)
    fan = find_fan(photo, region)
    free = [each for each in fan.limbs if each.free and each.width_px < 14]
    assert len(free) == 5
    for each in free:
        x, y = each.line.points_px.T
        away = [np.abs(y - np.interp(x, np.arange(FAN_SIZE[0]), c)) for c in curves]
        # Where a line begins at a meeting it still turns into its strand.
        assert min(float(np.quantile(a, 0.9)) for a in away) < 1.5


@pytest.mark.parametrize("table", [WHITE, WOOD, DARK])
@pytest.mark.parametrize("shiny", [False, True])
def test_a_solid_wire_is_no_fan(table: np.ndarray, shiny: bool) -> None:
    axis = Straight(length=220, angle_deg=25, centre=(200, 130))
    photo, region = draw(axis, 22.0, Look(table=table, shiny=shiny))
    assert read(photo, region) is None


@pytest.mark.parametrize("strands", [5, 7, 13])
def test_a_tight_bundle_is_no_fan(strands: int) -> None:
    assert fan_of(8.0, Look(), strands=strands, apart=0.5, turn=30) is None


def test_two_wires_that_cross_are_no_fan() -> None:
    x = np.arange(FAN_SIZE[0], dtype=float)
    curves = [210 + 0.35 * (x - 280), 210 - 0.35 * (x - 280)]
    photo, region = draw_fan(curves, 10.0, Look())
    assert read(photo, region) is None


def test_strands_of_few_pixels_give_no_more_than_a_bound_and_how_close_to_go() -> None:
    width_px = 3.5
    scale = scale_from_above(mm_per_px=MM_PER_PX, height_mm=300.0, size=FAN_SIZE)
    curves = fan_curves(7, width_px, apart=7.0, seed=1)
    photo, region = draw_fan(curves, width_px, Look(), turn_deg=20, seed=1)
    reading = read(photo, region, scale)
    assert reading is not None
    assert reading.is_sure
    assert [p.code for p in reading.problems] == ["strand_too_thin_in_photo"]
    assert "as the camera took it" in reading.problems[0].fix
    strand = reading.strand_diameter
    assert strand is None or strand.low95 < width_px * MM_PER_PX < strand.high95


def test_overexposed_strands_are_seen_but_not_measured() -> None:
    look = Look(metal=np.array([6.0, 5.0, 4.0]), table=np.array([0.2, 0.2, 0.2]))
    reading = fan_of(8.0, look, turn=20)
    assert reading is not None
    assert reading.is_sure
    assert reading.strand_diameter is None
    assert [p.code for p in reading.problems] == ["fanned_strands_unclear"]


def test_a_quick_look_spares_plain_wire_the_long_one() -> None:
    _, wire = draw(Straight(length=300, angle_deg=25, centre=(200, 130)), 14.0, Look())
    line = centre_line(wire.mask, offset_px=wire.box_px[:2])
    assert line is not None
    assert not is_uneven(line)
    _, fanned = draw_fan(fan_curves(7, 8.0, apart=5.0), 8.0, Look())
    line = centre_line(fanned.mask, offset_px=fanned.box_px[:2])
    assert line is not None
    assert is_uneven(line)


# ------------------------------------------------------------------ arithmetic


def test_pairs_side_by_side_are_not_taken_for_strands() -> None:
    # Geometry: two strands of 0.4 mm side by side seem up to 0.8 mm wide.
    widths = [limb(w) for w in (0.40, 0.41, 0.79, 0.80, 0.81)]
    assert [w.diameter.value for w in single_strands(widths)] == [0.40, 0.41]


def test_a_lone_thin_limb_does_not_outvote_many() -> None:
    widths = [limb(0.2, length=50)] + [limb(w) for w in (0.40, 0.41, 0.42, 0.39)]
    assert len(single_strands(widths)) == 4


def test_no_limb_is_no_strand() -> None:
    assert single_strands([]) == []


def pooled(
    widths: list[LimbWidth], *, bundle_px: float = 10.0, height_mm: float = 1e6
) -> Measurement:
    photo = Photo(name="", sha256="0" * 64, rgb=np.zeros((4, 4, 3), np.uint8))
    scale = scale_from_above(mm_per_px=MM_PER_PX, height_mm=height_mm)
    return pooled_strand(widths, photo, scale, bundle_px=bundle_px)


def test_more_limbs_are_surer_than_one() -> None:
    us = [pooled([limb(1.0)] * n).u for n in (1, 2, 4, 8)]
    assert us == sorted(us, reverse=True)
    assert us[-1] > 0.03, "what all limbs share stays"


def test_the_budget_adds_up() -> None:
    strand = pooled([limb(1.0), limb(1.04), limb(0.97, clipped=0.3)], bundle_px=50, height_mm=200)
    assert strand.u == pytest.approx(np.hypot.reduce(list(strand.budget.values())))
    assert {"scatter", "edges", "layout", "left", "clipped", "height"} <= strand.budget.keys()


def test_strands_high_over_the_table_look_wider_and_are_corrected() -> None:
    # Pinhole: at height h under a camera at H everything is H / (H - h) as large.
    low = pooled([limb(1.0)] * 3, bundle_px=10, height_mm=200)
    high = pooled([limb(1.0)] * 3, bundle_px=110, height_mm=200)
    room = 10.0 / 200
    assert 1 - room < high.value / low.value < 1
    assert high.u > low.u


def test_overexposure_is_doubt() -> None:
    assert pooled([limb(1.0, clipped=0.5)] * 3).u > pooled([limb(1.0)] * 3).u


def test_a_bound_holds_one_strand_and_half_a_pair() -> None:
    bound = bounded_by_width(0.6)
    assert bound.low95 < 0.3
    assert bound.high95 > 0.6
    # JCGM 100:2008, 4.3.7: a rectangle's standard deviation is its width over root 12.
    assert bound.u == pytest.approx((1.3 - 0.25) * 0.6 / np.sqrt(12))


def reading_of(strand: Measurement | None) -> FanReading:
    return FanReading(strand_diameter=strand, width_px=10.0, strands=4, ends=4)


def mm(value: float, u: float) -> Measurement:
    return Measurement.normal(value, u, Unit.MILLIMETRE)


# Common practice, no source: two wires that cross have four ends, of which two are thin.
@pytest.mark.parametrize(
    ("ends", "strands", "sure"), [(5, 0, True), (3, 3, True), (4, 2, False), (2, 5, False)]
)
def test_a_cable_is_told_by_ends_that_are_many_or_agree(
    ends: int, strands: int, sure: bool
) -> None:
    assert FanReading(strand_diameter=None, ends=ends, strands=strands).is_sure is sure


def test_the_surer_of_two_that_agree_is_given() -> None:
    assert joined(mm(0.8, 0.3), reading_of(mm(0.6, 0.05))) == (mm(0.6, 0.05), ())
    assert joined(mm(0.61, 0.01), reading_of(mm(0.6, 0.05))) == (mm(0.61, 0.01), ())


def test_where_two_disagree_the_range_holds_both_and_says_so() -> None:
    assert not agree(mm(1.5, 0.05), mm(0.6, 0.05))
    strand, problems = joined(mm(1.5, 0.05), reading_of(mm(0.6, 0.05)))
    assert strand is not None
    assert [p.code for p in problems] == ["strands_disagree"]
    assert strand.low95 < 0.6
    assert strand.high95 > 1.5


def test_without_a_fan_the_bundle_speaks_alone() -> None:
    assert joined(mm(0.8, 0.3), None) == (mm(0.8, 0.3), ())
    assert joined(None, None) == (None, ())
    assert joined(None, reading_of(mm(0.6, 0.05)))[0] == mm(0.6, 0.05)
    assert joined(mm(0.8, 0.3), reading_of(None))[0] == mm(0.8, 0.3)


def test_drawn_curves_part_as_told() -> None:
    curves = fan_curves(3, 8.0, apart=4.0)
    gap = curves[2] - curves[1]
    assert gap[int(BUNDLE_END_PX) - 20] == pytest.approx(4.0)  # two deep
    assert gap[int(TIP_PX)] == pytest.approx(32.0, abs=0.1)
