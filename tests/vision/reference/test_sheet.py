"""Where everything lies on the printed sheet, against its paper and what markers need.

The papers are ISO 216 A4 and US Letter; a marker needs a module of white around it, a sixth of
its side, to be found (the dictionary's own layout: 4 by 4 bits and a rim of black).
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from rules.errors import ContractError
from vision.reference.sheet import BAR_MM, MARKER_SIDE_MM, PAPERS_MM, SheetGeometry, sheet_geometry

Box = tuple[float, float, float, float]
QUIET_MM = MARKER_SIDE_MM / 6


@pytest.fixture(params=sorted(PAPERS_MM))
def sheet(request: pytest.FixtureRequest) -> SheetGeometry:
    return sheet_geometry(request.param)


def box_of(corners: np.ndarray, *, around: float = 0.0) -> Box:
    (left, top), (right, low) = corners.min(axis=0) - around, corners.max(axis=0) + around
    return float(left), float(top), float(right - left), float(low - top)


def overlap(one: Box, other: Box) -> bool:
    return all(one[k] < other[k] + other[k + 2] and other[k] < one[k] + one[k + 2] for k in (0, 1))


@pytest.mark.parametrize(("paper", "size"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_the_papers_are_those_of_the_standards(paper: str, size: tuple[float, float]) -> None:
    geometry = sheet_geometry(paper)
    assert (geometry.width_mm, geometry.height_mm) == size


def test_everything_lies_on_the_paper_with_room_for_a_printers_rim(sheet: SheetGeometry) -> None:
    # Printers leave up to 5 mm blank (common practice, no source).
    boxes = [box_of(corners) for corners in sheet.markers.values()]
    boxes += [patch.box_mm for patch in sheet.patches]
    boxes += [sheet.work_area_mm, box_of(sheet.bar_mm)]
    for x, y, width, height in boxes:
        assert x >= 5 and y >= 5
        assert x + width <= sheet.width_mm - 5 and y + height <= sheet.height_mm - 5


def test_nothing_lies_in_a_markers_quiet_zone(sheet: SheetGeometry) -> None:
    zones = [box_of(corners, around=QUIET_MM) for corners in sheet.markers.values()]
    others = [patch.box_mm for patch in sheet.patches] + [sheet.work_area_mm, box_of(sheet.bar_mm)]
    for zone in zones:
        assert not any(overlap(zone, other) for other in others)
    for one, other in combinations(zones, 2):
        assert not overlap(one, other)


def test_the_work_area_lies_between_the_rows_and_the_rows_hold_the_markers(
    sheet: SheetGeometry,
) -> None:
    for band in sheet.bands_mm:
        assert not overlap(band, sheet.work_area_mm)
    for corners in sheet.markers.values():
        inside = [overlap(box_of(corners), band) for band in sheet.bands_mm]
        assert inside.count(True) == 1
    for patch in sheet.patches:
        assert any(overlap(patch.box_mm, band) for band in sheet.bands_mm)


def test_markers_are_squares_that_go_round_clockwise_from_the_upper_left(
    sheet: SheetGeometry,
) -> None:
    for corners in sheet.markers.values():
        sides = np.hypot(*(np.roll(corners, -1, axis=0) - corners).T)
        assert sides == pytest.approx(np.full(4, MARKER_SIDE_MM))
        assert (corners[0] == corners.min(axis=0)).all()
        # Shoelace: positive goes clockwise where y points down.
        x, y = corners.T
        assert float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) > 0
    middles = np.array([corners.mean(axis=0) for corners in sheet.markers.values()])
    paper = np.array([sheet.width_mm, sheet.height_mm])
    assert middles.mean(axis=0) == pytest.approx(paper / 2), "one in each corner"


def test_the_two_papers_share_no_marker() -> None:
    ids = [set(sheet_geometry(paper).markers) for paper in PAPERS_MM]
    assert not ids[0] & ids[1]
    assert all(0 <= number < 50 for number in ids[0] | ids[1]), "a dictionary of 50"


def test_the_check_bar_is_level_and_as_long_as_it_says(sheet: SheetGeometry) -> None:
    start, end = sheet.bar_mm
    assert end - start == pytest.approx([BAR_MM, 0.0])


def test_a_patch_s_share_of_the_light_is_the_srgb_curves(sheet: SheetGeometry) -> None:
    # IEC 61966-2-1 above its linear part; 188 is half of the light to 0.3 %.
    for patch in sheet.patches:
        assert 255 * (1.055 * patch.nominal_reflectance ** (1 / 2.4) - 0.055) == pytest.approx(
            patch.code
        )
    shares = [patch.nominal_reflectance for patch in sheet.patches]
    assert shares == sorted(shares, reverse=True)
    for one, other in combinations([patch.box_mm for patch in sheet.patches], 2):
        assert not overlap(one, other)


@pytest.mark.parametrize("paper", ["a5", "", "A4"])
def test_another_paper_is_refused_with_those_there_are(paper: str) -> None:
    with pytest.raises(ContractError, match="a4, letter"):
        sheet_geometry(paper)
