"""One strand's diameter from a bundle, against the geometry of concentric lay."""

from __future__ import annotations

import numpy as np
import pytest

from rules.findings import Measurement, Unit
from tests.vision.test_lay import drawn_lay
from vision.lay import mean_silhouette
from vision.strands import bounded_by_bundle, read_strands


def colour(strip: np.ndarray) -> np.ndarray:
    return np.clip(strip, 0.001, None)[..., None] * np.array([0.9, 0.6, 0.5], np.float32)


@pytest.mark.parametrize(
    ("layers", "bundle_mm", "strand_mm"),
    [
        (1, 3.7005, 1.2335),  # 8 AWG, 7 wires: 48.6 mil, 4.4 % short of 16 AWG (ASTM B258)
        (1, 4.6665, 1.5555),  # 6 AWG, 7 wires: passes
        (2, 7.506, 1.5012),  # 2 AWG, 19 wires
    ],
)
def test_a_strand_is_its_share_of_the_bundle(
    layers: int, bundle_mm: float, strand_mm: float
) -> None:
    seen_mm = bundle_mm * mean_silhouette(layers)
    bundle = Measurement.normal(seen_mm, 0.01 * seen_mm, Unit.MILLIMETRE)
    strip = colour(drawn_lay(layers, diameter_px=60, lay_ratio=12, seed=4))
    read = read_strands(strip, width_px=60 * mean_silhouette(layers), bundle=bundle)
    assert read.groove_p > 0.9
    assert read.strand_diameter is not None
    assert read.strand_diameter.value == pytest.approx(strand_mm, rel=0.01)
    assert read.strand_diameter.low95 < strand_mm < read.strand_diameter.high95


def test_solid_wire_shows_no_strands() -> None:
    bundle = Measurement.normal(2.0, 0.02, Unit.MILLIMETRE)
    strip = colour(drawn_lay(0, diameter_px=60, lay_ratio=12, seed=3))
    read = read_strands(strip, width_px=60, bundle=bundle)
    assert read.groove_p < 0.1
    assert read.strand_diameter is None


def test_unresolved_strands_are_never_the_bundle() -> None:
    bundle = Measurement.normal(1.6, 0.02, Unit.MILLIMETRE)
    bound = bounded_by_bundle(bundle)
    assert bound.high95 < bundle.value / 2.9
    assert bound.low95 > 0
    assert bound.u == pytest.approx((1 / 3 - 0.03) * 1.6 / 12**0.5)  # JCGM 100, 4.3.7


def test_without_a_scale_grooves_are_still_seen() -> None:
    strip = colour(drawn_lay(1, diameter_px=60, lay_ratio=12, seed=5))
    read = read_strands(strip, width_px=60 * mean_silhouette(1), bundle=None)
    assert read.lay is not None
    assert read.lay.strands == 7
    assert read.strand_diameter is None
