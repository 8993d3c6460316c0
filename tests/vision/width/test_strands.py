"""One strand's diameter from a bundle and its share: hand-worked sums, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest

from rules.findings import Measurement, Unit
from tests.vision.drawn_lay import mean_silhouette
from tests.vision.drawn_wire import Look, Straight, draw
from tests.vision.width.test_strip_look import look_with, peak_at
from vision.types import Photo, Region
from vision.width.strands import along_axis, not_resolved, strand_of, strand_of_bundle
from vision.width.strip_look import StripLook


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
