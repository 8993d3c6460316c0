"""Weights: handbook wire, tube tables, scales with tare, and honest intervals."""

from __future__ import annotations

import csv
from decimal import Decimal
from importlib.resources import files
from math import sqrt

import numpy as np
import pytest

from app.load.tubes import walls_mm
from app.load.units import LoadError, MassUnit, in_unit
from app.load.weights import (
    Weight,
    WeightOrigin,
    added,
    length_from_outline_mm,
    read_scale,
    tube_weight,
    weight_of_piece,
    wire_weight,
)
from rules.findings import Form, Measurement, Unit
from rules.gauge import mm_from_awg

MM_PER_FOOT = 304.8

THOUSAND_FEET_MM = 1000 * MM_PER_FOOT


_TUBES = files("rules").joinpath("tubes.csv").read_text(encoding="utf-8").splitlines()
LISTED_TUBES = list(csv.DictReader(line for line in _TUBES if not line.startswith("#")))


def pounds(weight: Weight) -> float:
    return float(in_unit(weight.kg, MassUnit.LB))


@pytest.mark.parametrize(("awg", "lb"), [(14, 12.43), (12, 19.77), (10, 31.43)])
def test_solid_wire_weighs_what_the_handbook_says(awg: int, lb: float) -> None:
    # Conductor tables at 8.89 g/cm3: 12.43, 19.77, 31.43 lb per 1,000 ft (a wire maker's page).
    weight = wire_weight(
        diameter_mm=mm_from_awg(awg), u_mm=0, length_mm=THOUSAND_FEET_MM, u_length_mm=0
    )
    assert pounds(weight) == pytest.approx(lb, abs=0.005)
    assert weight.is_estimated


@pytest.mark.parametrize("size", LISTED_TUBES, ids=lambda size: " ".join(list(size.values())[:3]))
def test_tube_weighs_what_the_tables_say(size: dict[str, str]) -> None:
    # ASTM B88 and B280, EN 1057: rules/tubes.csv says whose word each weight is.
    weight = tube_weight(
        outer_mm=float(size["od_mm"]),
        u_mm=0,
        length_mm=MM_PER_FOOT,
        u_length_mm=0,
        wall_low_mm=float(size["wall_mm"]),
        wall_high_mm=float(size["wall_mm"]),
    )
    # 0.6 % between tables and section, and half a unit of the table's last digit.
    assert pounds(weight) == pytest.approx(float(size["lb_per_ft"]), rel=0.006, abs=0.0006)


def test_a_tube_of_unknown_wall_says_so_in_its_interval() -> None:
    # 15.875 mm is 1/2 in: M 0.711, L 1.016, K 1.245 mm; 0.204, 0.285, 0.344 lb a foot.
    low, high = walls_mm(15.875)
    assert (low, high) == (0.711, 1.245)
    weight = tube_weight(
        outer_mm=15.875,
        u_mm=0.05,
        length_mm=MM_PER_FOOT,
        u_length_mm=1,
        wall_low_mm=low,
        wall_high_mm=high,
    )
    for lb in (0.204, 0.285, 0.344):
        assert weight.low95_kg < lb * 0.45359237 < weight.high95_kg


def test_twice_the_diameter_is_four_times_the_mass_and_its_doubt_counts_twice() -> None:
    thin = wire_weight(diameter_mm=2, u_mm=0.02, length_mm=1e6, u_length_mm=0)
    thick = wire_weight(diameter_mm=4, u_mm=0.04, length_mm=1e6, u_length_mm=0)
    assert float(thick.kg / thin.kg) == pytest.approx(4, rel=1e-5)
    # 1 % of the diameter is 2 % of the mass; 0.2 % of density beside it.
    assert thin.u_kg / float(thin.kg) == pytest.approx(sqrt(0.02**2 + 0.002**2), rel=1e-5)


def test_stated_doubt_covers_the_scatter_of_wires() -> None:
    rng = np.random.default_rng(3)
    inside = 0
    for _ in range(400):
        true_mm, true_length = rng.uniform(1, 5), rng.uniform(100, 3000)
        weight = wire_weight(
            diameter_mm=true_mm * (1 + 0.01 * rng.standard_normal()),
            u_mm=true_mm * 0.01,
            length_mm=true_length * (1 + 0.02 * rng.standard_normal()),
            u_length_mm=true_length * 0.02,
        )
        density = 8890 * (1 + 0.002 * rng.standard_normal())
        true = np.pi / 4 * true_mm**2 * true_length * 1e-9 * density
        inside += weight.low95_kg <= true <= weight.high95_kg
    assert 370 <= inside <= 392  # 95 % of 400 is 380, three standard deviations 13


def test_scale_reading_with_tare_by_hand() -> None:
    # 41.5 lb with the bucket, bucket 2.0 lb: 39.5 lb net = 17.916898615 kg.
    # Step 0.1 lb, two readings: u = 0.1 lb * sqrt(2 / 12) = 0.040825 lb = 0.018518 kg.
    weight = read_scale(Decimal("41.5"), unit=MassUnit.LB, tare=Decimal("2.0"))
    assert weight.kg == Decimal("17.916898615")
    assert weight.u_kg == pytest.approx(0.018518, abs=1e-6)
    assert weight.origin is WeightOrigin.SCALE
    coarse = read_scale(
        Decimal(41), unit=MassUnit.LB, tare=Decimal(2), step=Decimal("0.5"), u_scale_rel=0.01
    )
    # sqrt((0.5 * sqrt(1/6) * 0.45359237)^2 + (0.01 * 17.690)^2) = sqrt(0.092589^2 + 0.17690^2)
    assert coarse.u_kg == pytest.approx(0.19967, abs=2e-5)


def test_readings_that_cannot_be_are_refused() -> None:
    with pytest.raises(LoadError):
        read_scale(Decimal(1), unit=MassUnit.KG, tare=Decimal(2))
    with pytest.raises(LoadError):
        read_scale(Decimal(1), unit=MassUnit.KG, step=Decimal(0))


def test_length_from_an_outline() -> None:
    # A straight rod of 2 x 100 mm, and the same rod drawn the other way around.
    outline = [(0.0, 0.0), (100.0, 0.0), (100.0, 2.0), (0.0, 2.0)]
    assert length_from_outline_mm(outline, diameter_mm=2)[0] == pytest.approx(100)
    assert length_from_outline_mm(outline[::-1], diameter_mm=2)[0] == pytest.approx(100)
    # Bent to a right angle the area is the same: 60 + 40 along the middle line.
    bent = [(0.0, 0.0), (61.0, 0.0), (61.0, 41.0), (59.0, 41.0), (59.0, 2.0), (0.0, 2.0)]
    assert length_from_outline_mm(bent, diameter_mm=2)[0] == pytest.approx(100, rel=0.01)
    with pytest.raises(LoadError):
        length_from_outline_mm([(0, 0), (2, 0), (2, 2), (0, 2)], diameter_mm=4)


@pytest.mark.parametrize("form", list(Form))
def test_only_long_round_pieces_are_estimated(form: Form) -> None:
    weight = weight_of_piece(
        form,
        diameter=Measurement.normal(10.0, 0.1, Unit.MILLIMETRE),
        length_mm=1000,
        u_length_mm=10,
    )
    assert (weight is not None) == (form in (Form.WIRE, Form.STRANDED, Form.TUBE))
    if weight is not None:
        assert weight.is_estimated
        assert weight.low95_kg < float(weight.kg) < weight.high95_kg


def test_a_sum_with_one_estimate_is_an_estimate() -> None:
    read = read_scale(Decimal(10), unit=MassUnit.KG)
    guess = wire_weight(diameter_mm=2, u_mm=0.1, length_mm=1000, u_length_mm=10)
    assert added([read, read]).origin is WeightOrigin.SCALE
    assert added([read, guess]).is_estimated
    assert added([guess]) == guess, "one alone keeps its own interval"
    assert added([read, guess]).kg == read.kg + guess.kg


def test_tubes_have_walls_even_where_no_table_lists_them() -> None:
    assert walls_mm(100.0) == (0.5, 10.0)
    with pytest.raises(LoadError):
        walls_mm(0)
