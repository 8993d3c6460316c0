"""The break-even chart, read back out of the SVG that it is written as."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from app.load.break_even_chart import chart_rows, write_break_even_chart
from app.load.units import MassUnit
from app.load.worth import BreakEven, Work, Yield

LB = 0.45359237
"""A pound in kilograms, exactly (NIST SP 811, appendix B.8)."""


def curve(gap_per_kg: float, least_kg: float | None) -> BreakEven:
    """A job worth 6.00 for a kilogram times the gap: the least weight is 6 over the gap."""
    return BreakEven(
        work=Work.CLEAN, minutes=18, becomes=Yield(rises=1.0), from_grade="no2", to_grade="no1",
        gap_per_kg=gap_per_kg, least_kg=least_kg,
        curve=tuple((gap, 6.0 / gap) for gap in (0.5, 1.0, 2.0, 4.0)),
    )  # fmt: skip


CURVES = [("sand it", curve(2.0, 3.0)), ("cut <brass> off", curve(4.0, 1.5)), ("b", curve(1, None))]


def test_rows_are_in_the_unit_that_is_shown() -> None:
    rows = chart_rows([("sand it", curve(2.0, 3.0))], unit=MassUnit.LB)
    assert [row["unit"] for row in rows] == ["lb"] * 4
    for row, (gap, kg) in zip(rows, curve(2.0, 3.0).curve, strict=True):
        assert row["gap"] == pytest.approx(gap * LB, abs=1e-4)
        assert row["least"] == pytest.approx(kg / LB, abs=1e-4)
        # Money a job brings is gap times weight, whatever the unit.
        assert float(str(row["gap"])) * float(str(row["least"])) == pytest.approx(6.0, rel=1e-3)


@pytest.fixture
def svg(tmp_path: Path) -> ET.Element:
    path = tmp_path / "chart.svg"
    write_break_even_chart(path, CURVES, unit=MassUnit.KG, currency="USD", hourly=20)
    return ET.parse(path).getroot()


def words(svg: ET.Element) -> list[str]:
    return [("".join(node.itertext())).strip() for node in svg.iter() if node.tag.endswith("text")]


def test_it_says_what_its_axes_and_lines_are(svg: ET.Element) -> None:
    told = words(svg)
    assert "From this weight on (kg) the job pays USD 20 an hour" in told
    assert "price gap, USD a kg" in told
    assert {"sand it", "cut <brass> off", "b"} <= set(told)
    assert "today from 3 kg" in told and "never pays today" in told


def test_dots_stand_at_todays_gap_and_weight(svg: ET.Element) -> None:
    """By the lines of the grid: the first and the last give the scale of each axis."""
    dots = [
        (float(node.get("cx", "")), float(node.get("cy", "")))
        for node in svg.iter()
        if node.tag.endswith("circle")
    ]
    assert len(dots) == 2  # the third kind never pays
    drawn = " ".join(node.get("d", "") for node in svg.iter())
    grid = [
        [float(v) for v in found]
        for found in re.findall(r"M ([\d.]+),([\d.]+) L ([\d.]+),([\d.]+) Z", drawn)
    ]
    long = [line for line in grid if line[2] - line[0] > 100]
    left, right, low, high = long[0][0], long[0][2], long[0][1], long[-1][1]
    # The axes end at 1.6 times the largest gap and 2.5 times the largest weight: 6.40 and 7.5.
    assert {"6.40", "7.5"} <= set(words(svg))
    for (x, y), (gap, least) in zip(dots, ((2.0, 3.0), (4.0, 1.5)), strict=True):
        assert (x - left) / (right - left) == pytest.approx(gap / 6.4, abs=0.005)
        assert (y - low) / (high - low) == pytest.approx(least / 7.5, abs=0.005)


def test_lines_are_told_apart_by_dashes_too(svg: ET.Element) -> None:
    """WCAG 2.2, 1.4.1: nothing by colour alone."""
    lines = [node for node in svg.iter() if node.tag.endswith("polyline")]
    dashes = [re.search(r"stroke-dasharray: ?([\d ,.]+)", node.get("style", "")) for node in lines]
    assert len({found and found[1] for found in dashes}) == len(lines) == 3


def test_only_what_it_can_write_is_written(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"\.pdf or \.svg"):
        write_break_even_chart(
            tmp_path / "a.png", CURVES, unit=MassUnit.KG, currency="USD", hourly=0
        )
    assert not list(tmp_path.iterdir())
    path = tmp_path / "a.pdf"
    write_break_even_chart(path, [], unit=MassUnit.KG, currency="USD", hourly=0)
    assert path.read_bytes().startswith(b"%PDF")
