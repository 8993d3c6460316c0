"""A card's shape in mm against ISO/IEC 7810 (ID-1: 85.60 x 53.98 mm, radius 3.18, 0.76 thick)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision.reference.card.geometry import (
    CARD_CORNERS_MM,
    are_in_view,
    clipped,
    ordered,
    outline_mm,
    seen_corners_mm,
    visible_walls_mm,
    wall_doubt,
)
from vision.reference.plane import Lens, Plane, fit_plane

SQUARE_ON = np.array([[100.0, 80.0], [528.0, 80.0], [528.0, 349.9], [100.0, 349.9]])  # 5 px a mm


def plane_under(camera_mm: tuple[float, float, float]) -> Plane:
    lens = Lens(focal_px=1000.0, u_log_focal=0.02, centre_px=(400.0, 300.0), u_centre_px=20.0)
    flat = fit_plane(SQUARE_ON, CARD_CORNERS_MM, u_px=0.1, lens=lens)
    return replace(flat, camera_mm=camera_mm)


def test_the_outline_encloses_the_area_of_a_card() -> None:
    """Length times width less the corners: (4 - pi) r^2."""
    x, y = outline_mm().T
    area = abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2
    assert area == pytest.approx(85.60 * 53.98 - (4 - np.pi) * 3.18**2, rel=2e-4)
    assert np.ptp(x) == pytest.approx(85.60)
    assert np.ptp(y) == pytest.approx(53.98)


@pytest.mark.parametrize("turn", range(4))
@pytest.mark.parametrize("flip", [False, True])
def test_corners_come_in_one_order_however_they_were_found(turn: int, flip: bool) -> None:
    found = np.roll(SQUARE_ON[::-1] if flip else SQUARE_ON, turn, axis=0)
    again = ordered(found)
    first, second = again[1] - again[0], again[2] - again[1]
    assert first[0] * second[1] - first[1] * second[0] > 0  # clockwise where y points down
    assert np.hypot(*first) > np.hypot(*second)


def test_a_side_is_cut_at_the_photos_edge_and_given_up_where_little_is_left() -> None:
    shape = (300, 400, 3)
    start, end = np.array([300.0, 100.0]), np.array([450.0, 100.0])
    kept = clipped(start, end, shape)
    assert kept is not None
    assert kept[1][0] <= 397
    assert kept[0][0] == 300
    assert clipped(start + [60, 0], end + [60, 0], shape) is None
    inside = are_in_view(np.array([[1.0, 50], [200, 150], [398.5, 10]]), shape)
    assert inside.tolist() == [False, True, False]


def test_a_wall_shows_where_the_camera_stands_beyond_it() -> None:
    """By similar triangles: 0.76 mm of wall, seen from 100 mm beyond and 200 mm above."""
    assert visible_walls_mm(plane_under((40.0, 20.0, 250.0))) == pytest.approx([0, 0, 0, 0])
    left, right, upper, lower = visible_walls_mm(plane_under((185.6, 20.0, 200.0)))
    assert (left, upper, lower) == (0, 0, 0)
    assert right == pytest.approx(0.76 * 100 / 200)
    seen = seen_corners_mm(np.array([left, right, upper, lower]))
    assert np.ptp(seen[:, 0]) == pytest.approx(85.60 + 0.19)  # half of it


def test_doubt_of_the_walls_is_that_of_a_rectangular_distribution() -> None:
    """JCGM 100:2008, 4.3.7: a / sqrt(3) of the half width; here of one wall of 0.6 mm."""
    alone = wall_doubt(np.array([0.0, 0.6, 0.0, 0.0]), u_all_mm=0.0)
    assert alone == pytest.approx(0.3 / np.sqrt(3) / 85.60 / 2)
    assert wall_doubt(np.zeros(4), u_all_mm=0.0) == 0.0
    assert wall_doubt(np.zeros(4), u_all_mm=0.1) > 0.1 / 85.60


@pytest.mark.parametrize(
    ("camera_mm", "walls"),
    [
        ((42.8, 27.0, 200.0), (0, 0, 0, 0)),  # over the face no wall shows
        ((-20.0, 27.0, 200.0), (0.076, 0, 0, 0)),  # similar triangles: 20 * 0.76 / 200
        ((105.6, 73.98, 200.0), (0, 0.076, 0, 0.076)),  # 20 mm beyond two sides
        ((42.8, -40.0, 100.0), (0, 0, 0.304, 0)),
    ],
)
def test_a_wall_is_as_wide_as_similar_triangles_say(
    camera_mm: tuple[float, float, float], walls: tuple[float, ...]
) -> None:
    assert visible_walls_mm(plane_under(camera_mm)) == pytest.approx(walls, abs=1e-9)


def test_half_of_each_wall_belongs_to_what_the_edges_show() -> None:
    seen = seen_corners_mm(np.array([0.2, 0.0, 0.0, 0.4]))
    grown = seen - CARD_CORNERS_MM
    assert grown[:, 0] == pytest.approx([-0.1, 0, 0, -0.1])
    assert grown[:, 1] == pytest.approx([0, 0, 0.2, 0.2])


def test_without_walls_only_the_common_doubt_of_the_sides_is_left() -> None:
    # Twice 0.1 mm on 85.60 and on 53.98 mm, in the mean.
    told = wall_doubt(np.zeros(4), u_all_mm=0.1)
    assert told == pytest.approx((0.2 / 85.60 + 0.2 / 53.98) / 2)
    assert wall_doubt(np.array([0.3, 0, 0, 0]), u_all_mm=0.1) > told
