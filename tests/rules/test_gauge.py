"""Sources: ASTM B258 (formula, tabulated to 0.0001 in); see tests/data/README.md."""

from __future__ import annotations

import csv
from math import inf, nan, pi
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.errors import ContractError
from rules.gauge import CONDUCTOR_KG_PER_M3, awg_from_mm, gauge_words, mm_from_awg

DATA = Path(__file__).parents[1] / "data"


def table(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", table("awg.csv"), ids=lambda row: row["awg"])
def test_gauges_have_the_diameters_and_weights_of_the_tables(row: dict[str, str]) -> None:
    number = int(row["n"])
    assert mm_from_awg(number) == pytest.approx(float(row["diameter_mm"]), abs=6e-5)
    assert mm_from_awg(number) / 25.4 == pytest.approx(float(row["diameter_in_B258_4dp"]), abs=6e-5)
    if row["diameter_mm_stored_table"]:  # printed to 3 decimals, SWG rows aside
        assert mm_from_awg(number) == pytest.approx(
            float(row["diameter_mm_stored_table"]), abs=6e-4
        )
    if row["lb_per_1000ft_stored_table"]:
        area_m2 = pi / 4 * (mm_from_awg(number) / 1000) ** 2
        lb_per_1000_ft = area_m2 * 304.8 * CONDUCTOR_KG_PER_M3 / 0.45359237
        assert lb_per_1000_ft == pytest.approx(
            float(row["lb_per_1000ft_stored_table"]), rel=2e-3, abs=6e-4
        )


def test_sixteen_gauge_is_american_not_british() -> None:
    # 1/16 in and SWG 16 (1.626 mm) are both taken for it; both are thicker.
    assert mm_from_awg(16) == pytest.approx(1.2908, abs=5e-5)
    assert awg_from_mm(1.5875) == pytest.approx(14.22, abs=0.01)
    assert awg_from_mm(1.626) < 15


@pytest.mark.parametrize(
    ("conductor", "construction"),
    [("8 AWG", "ASTM B8 7-wire"), ("6 AWG", "ASTM B8 7-wire")],
)
def test_strands_by_equal_area_agree_with_the_table(conductor: str, construction: str) -> None:
    row = next(
        r
        for r in table("stranding.csv")
        if (r["conductor"], r["construction"]) == (conductor, construction)
    )
    strand_mm = mm_from_awg(int(conductor.split(maxsplit=1)[0])) / int(row["strands"]) ** 0.5
    assert strand_mm == pytest.approx(float(row["strand_diameter_mm"]), abs=6e-5)
    short = 100 * (strand_mm / mm_from_awg(16) - 1)
    assert short == pytest.approx(float(row["percent_vs_16AWG"]), abs=0.06)
    assert (strand_mm >= mm_from_awg(16)) is (row["strand_ge_16AWG"] == "1")


def test_seven_strands_of_8_awg_fall_short_by_4_4_percent_and_6_awg_pass() -> None:
    assert mm_from_awg(8) / 7**0.5 / mm_from_awg(16) == pytest.approx(1 - 0.044, abs=5e-4)
    assert mm_from_awg(6) / 7**0.5 > mm_from_awg(16)


@given(st.floats(0.02, 14.0))
def test_gauge_and_diameter_are_each_others_inverse(diameter_mm: float) -> None:
    assert mm_from_awg(awg_from_mm(diameter_mm)) == pytest.approx(diameter_mm, rel=1e-9)


@pytest.mark.parametrize("nonsense", [0.0, -1.0, nan, inf])
def test_a_diameter_that_cannot_be_is_refused(nonsense: float) -> None:
    with pytest.raises(ContractError, match="above 0 mm"):
        awg_from_mm(nonsense)


@pytest.mark.parametrize("nonsense", [-6, 57, nan])
def test_a_gauge_that_is_not_made_is_refused(nonsense: float) -> None:
    with pytest.raises(ContractError, match="gauge must be"):
        mm_from_awg(nonsense)


# ASTM B258: 14 AWG is 1.628 mm, 15 is 1.450, 16 is 1.291, 17 is 1.150; 4/0 is 11.684 mm.
@pytest.mark.parametrize(
    ("low_mm", "high_mm", "words"),
    [
        (1.28, 1.30, "about 16 AWG"),
        (1.25, 1.34, "about 16 AWG"),
        (1.24, 1.26, "between 16 and 17 AWG"),
        (1.335, 1.345, "between 15 and 16 AWG"),
        (1.25, 1.40, "15 to 16 AWG"),
        (1.13, 1.64, "14 to 17 AWG"),
        (11.6, 11.7, "about 4/0 AWG"),
        (8.0, 9.4, "2/0 to 0 AWG"),
        (0.0, 1.3, None),
        (25.0, 26.0, None),
    ],
)
def test_every_gauge_that_an_interval_reaches_is_told(
    low_mm: float, high_mm: float, words: str | None
) -> None:
    assert gauge_words(low_mm, high_mm) == words


@pytest.mark.parametrize("number", range(-3, 41))
def test_a_true_size_is_its_own_gauge(number: int) -> None:
    told = gauge_words(mm_from_awg(number) * 0.999, mm_from_awg(number) * 1.001)
    assert told == f"about {number if number >= 0 else f'{1 - number}/0'} AWG"
