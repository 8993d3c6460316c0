"""One strand's diameter from a bundle and its share: hand-worked sums, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.findings import Measurement, Unit
from tests.vision.drawn_lay import mean_silhouette
from tests.vision.drawn_wire import Bent, Look, Straight, draw
from tests.vision.width.strand.test_strip_look import look_with, peak_at
from vision.types import Photo, Region
from vision.width.strand.strands import (
    along_axis,
    not_resolved,
    straightened,
    strand_of,
    strand_of_bundle,
    strand_of_seven,
)
from vision.width.strand.strip_look import StripLook


@pytest.mark.parametrize(
    ("bundle_mm", "strand_mm"),
    [
        (3.7005, 1.2335),  # 8 AWG, 7 wires: 48.6 mil, 4.4 % short of 16 AWG (ASTM B258, B8)
        (4.6665, 1.5555),  # 6 AWG, 7 wires: passes
    ],
)
def test_seven_wires_are_a_fixed_share_of_the_bundle(bundle_mm: float, strand_mm: float) -> None:
    seen_mm = bundle_mm * mean_silhouette(1)
    bundle = Measurement.normal(seen_mm, 0.01 * seen_mm, Unit.MILLIMETRE)
    # The network is 4 % too high and not sure; geometry knows better.
    look = look_with(peak_at(1.04 * strand_mm / seen_mm, u_log=0.06), stranded=0.95)
    strand = strand_of(look, bundle)
    assert strand is not None
    assert strand.value == pytest.approx(strand_mm, rel=1e-6)
    assert strand.u == pytest.approx(np.hypot(0.01, 0.02) * strand_mm)  # JCGM 100, 5.1.6
    assert strand.low95 < strand_mm < strand.high95


@pytest.mark.parametrize("share", [0.2, 0.5])
def test_nineteen_wires_or_two_cores_are_not_taken_for_seven(share: float) -> None:
    bundle = Measurement.normal(5.0, 0.05, Unit.MILLIMETRE)
    strand = strand_of(look_with(peak_at(share, u_log=0.06), stranded=0.95), bundle)
    assert strand is not None
    assert strand.value == pytest.approx(share * 5.0, rel=0.01)


def test_doubt_between_seven_wires_and_finer_ones_gives_no_strand() -> None:
    both = 0.8 * peak_at(1 / 3, u_log=0.03) + 0.2 * peak_at(1 / 5, u_log=0.03)
    bundle = Measurement.normal(5.0, 0.05, Unit.MILLIMETRE)
    assert strand_of(look_with(both, stranded=0.95), bundle) is None


def test_what_is_said_of_unresolved_strands_is_the_most_they_can_be() -> None:
    """Seven wires are the fewest: one of them is a third of the bundle (ASTM B8, class B)."""
    told = not_resolved(Measurement.normal(1.8, 0.02, Unit.MILLIMETRE))
    assert "0.6 mm" in told.text
    assert "cut end" in told.fix


@pytest.mark.parametrize("size", [(1, 1), (1, 3), (2, 2), (9, 1)])
def test_a_speck_can_be_laid_out(size: tuple[int, int]) -> None:
    # Pieces taken by a tap, or cut off by the photo's rim, may be as small as that.
    width, height = size
    corners = [[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]]
    region = Region(
        box_px=(40, 30, width, height),
        mask=np.ones((height, width), bool),
        outline_px=np.array(corners, float) + [40, 30],
        score=1.0,
    )
    photo = Photo(name="", sha256="", rgb=np.full((60, 80, 3), 90, np.uint8))
    strip = along_axis(photo, region)
    assert strip.light.shape[0] >= 1 and strip.light.shape[1] >= 3
    assert np.isfinite(strip.light).all()


def test_the_network_s_share_times_the_bundle_is_the_strand() -> None:
    bundle = Measurement.normal(5.0, 0.05, Unit.MILLIMETRE)
    strand = strand_of_bundle(bundle, look_with(peak_at(0.2, u_log=0.04), stranded=0.95))
    assert strand.value == pytest.approx(1.0, rel=0.01)
    assert strand.budget == pytest.approx({"bundle": 0.01, "ratio": 0.04}, rel=0.1)
    assert strand.u == pytest.approx(np.hypot(0.01, 0.04), rel=0.1)  # JCGM 100, 5.1.6
    assert strand.low95 == pytest.approx(np.exp(-1.96 * 0.0412), rel=0.02)
    assert strand.high95 == pytest.approx(np.exp(1.96 * 0.0412), rel=0.02)


def test_what_the_edges_leave_open_is_in_the_network_s_share_already() -> None:
    parts = {"edges": 0.04, "scatter": 0.03, "scale": 0.02}
    bundle = Measurement.normal(5.0, np.hypot(0.05, 0.02), Unit.MILLIMETRE, budget=parts)
    strand = strand_of_bundle(bundle, look_with(peak_at(0.2, u_log=0.04), stranded=0.95))
    assert strand.budget["bundle"] == pytest.approx(0.2 * 0.02, rel=0.01)


def test_doubt_between_seven_and_nineteen_strands_shows_in_the_interval() -> None:
    both = 0.9 * peak_at(1 / 3, u_log=0.03) + 0.1 * peak_at(1 / 5, u_log=0.03)
    bundle = Measurement.normal(3.0, 0.03, Unit.MILLIMETRE)
    strand = strand_of_bundle(bundle, look_with(both, stranded=0.95))
    assert strand.value == pytest.approx(1.0, rel=0.03)
    assert strand.low95 < 0.62
    assert strand.high95 < 1.1


@pytest.mark.parametrize(
    "look",
    [
        look_with(stranded=0.9),  # any share as likely as another
        look_with(peak_at(0.2, u_log=0.04), jacket=0.8),
    ],
)
def test_what_the_network_can_not_resolve_is_not_told(look: StripLook) -> None:
    bundle = Measurement.normal(1.6, 0.02, Unit.MILLIMETRE)
    assert look.groove_p > 0.4
    assert strand_of(look, bundle) is None


def test_what_the_network_takes_for_solid_has_no_strand() -> None:
    bundle = Measurement.normal(1.6, 0.02, Unit.MILLIMETRE)
    look = look_with(peak_at(0.3, u_log=0.04), solid=0.97)
    assert look.groove_p < 0.1
    assert strand_of(look, bundle) is None


def test_a_short_piece_is_laid_out_along_its_axis() -> None:
    axis = Straight(length=60, angle_deg=11, centre=(200, 130))
    photo, region = draw(axis, 26.0, Look(shiny=False), seed=3)
    strip = along_axis(photo, region)
    assert strip.width_px * strip.step_px == pytest.approx(26, abs=3)
    assert len(strip.light) * strip.step_px == pytest.approx(60, abs=5)
    assert np.ptp(strip.points_px[:, 0]) > 4 * np.ptp(strip.points_px[:, 1])


# ------------------------------------------------------------ laid out straight


@pytest.mark.parametrize(
    "axis",
    [
        Straight(length=330, angle_deg=11, centre=(200, 130)),
        Bent(length=330, radius=220, centre=(200, 100)),
    ],
)
def test_a_piece_laid_out_has_its_axis_in_the_middle(axis: Straight | Bent) -> None:
    photo, region = draw(axis, 26.0, Look(shiny=False, light_from=0.0), seed=3)
    strip = straightened(photo, region)
    assert strip is not None
    across, along = axis.across_and_along(*strip.points_px.T)
    assert np.median(np.abs(across)) < 1.0
    assert np.ptp(along) > 0.85 * 330
    # Across it lies the metal, on both sides of it the paler table, by the drawing.
    middle = strip.light.shape[1] // 2
    reach = 13 / strip.step_px
    metal = strip.light[:, middle - int(0.6 * reach) : middle + int(0.6 * reach), 2].mean()
    rims = strip.light[:, [0, -1], 2].mean()
    assert rims > 1.15 * metal


def test_normals_lead_to_later_columns() -> None:
    # Drawn with its shadow below: the columns that lie there are darker.
    axis = Straight(length=300, angle_deg=0, centre=(200, 130))
    photo, region = draw(axis, 40.0, Look(flat=True, shadow=(0.0, 0.9), reach=3.0), seed=2)
    strip = straightened(photo, region)
    assert strip is not None
    down, up = strip.light[:, -1].mean(), strip.light[:, 0].mean()
    if np.median(strip.normals[:, 1]) < 0:
        down, up = up, down
    assert down < 0.5 * up


@pytest.mark.parametrize("width_px", [20.0, 40.0])
def test_a_told_width_is_the_one_it_is_laid_out_with(width_px: float) -> None:
    axis = Straight(length=330, angle_deg=11, centre=(200, 130))
    photo, region = draw(axis, 26.0, Look(), seed=3)
    strip = straightened(photo, region, width_px=width_px)
    assert strip is not None
    assert strip.width_px * strip.step_px == pytest.approx(width_px)
    # 0.6 widths to both sides, as the network was taught: 1.2 and a column or two.
    assert strip.light.shape[1] == pytest.approx(1.2 * strip.width_px, abs=3)


def test_an_unknown_width_is_that_of_the_outline() -> None:
    axis = Straight(length=330, angle_deg=11, centre=(200, 130))
    photo, region = draw(axis, 26.0, Look(), seed=3)
    known, unknown = (straightened(photo, region, width_px=w) for w in (None, float("nan")))
    assert known is not None and unknown is not None
    assert unknown.width_px == known.width_px
    assert known.width_px * known.step_px == pytest.approx(26.0, rel=0.12)


def test_what_is_hardly_longer_than_wide_is_not_laid_out() -> None:
    axis = Straight(length=60, angle_deg=11, centre=(200, 130))
    assert straightened(*draw(axis, 50.0, Look(), seed=3)) is None


# ---------------------------------------------------------------- seven by geometry


def test_a_strand_of_seven_is_known_as_its_bundle_and_a_slack_are() -> None:
    strand = strand_of_seven(Measurement.normal(6.0, 0.06, Unit.MILLIMETRE))
    # One wire of seven over the mean width of their outline, drawn (tests/vision/drawn_lay.py).
    assert strand.value == pytest.approx(6.0 / (3 * mean_silhouette(1)), rel=1e-3)
    assert strand.u / strand.value == pytest.approx(np.hypot(0.01, 0.02))  # JCGM 100, 5.1.6
    twice = strand_of_seven(Measurement.normal(12.0, 0.12, Unit.MILLIMETRE))
    assert (twice.value, twice.u) == pytest.approx((2 * strand.value, 2 * strand.u))


@given(st.floats(0.04, 0.5), st.floats(0.5, 20.0), st.floats(0.001, 0.1))
def test_a_strand_lies_in_its_interval_and_below_its_bundle(
    share: float, bundle_mm: float, u_rel: float
) -> None:
    bundle = Measurement.normal(bundle_mm, u_rel * bundle_mm, Unit.MILLIMETRE)
    strand = strand_of_bundle(bundle, look_with(peak_at(share, u_log=0.05), stranded=0.95))
    assert 0 < strand.low95 < strand.value < strand.high95
    assert strand.value < bundle_mm
    assert strand.u > u_rel * strand.value * 0.99, "never surer than the bundle it is a part of"


def test_twice_the_bundle_is_twice_the_strand() -> None:
    look = look_with(peak_at(0.2, u_log=0.04), stranded=0.95)
    one, two = (
        strand_of_bundle(Measurement.normal(d, 0.01 * d, Unit.MILLIMETRE), look) for d in (4.0, 8.0)
    )
    assert (two.value, two.u, two.low95, two.high95) == pytest.approx(
        (2 * one.value, 2 * one.u, 2 * one.low95, 2 * one.high95)
    )
