"""From the screen to the photo, in two steps."""

from __future__ import annotations

import pytest

from app.web.desk.again import Taps
from app.web.grade.tapping import FINGER_PX, NEAR_SHARE, Tapping, near_box, on_photo

SIZE = (4000, 3000)


def tap(
    x: float, y: float, at: float, *, width: float = 400, height: float = 300
) -> dict[str, float]:
    return {"x": x, "y": y, "width": width, "height": height, "unix_time": at}


@pytest.mark.parametrize(
    ("x", "y", "wanted"),
    [(0, 0, (0.0, 0.0)), (200, 150, (1999.5, 1499.5)), (400, 300, (3999.0, 2999.0))],
)
def test_a_tap_on_the_whole_photo_lands_where_it_was(
    x: float, y: float, wanted: tuple[float, float]
) -> None:
    assert on_photo(tap(x, y, 1), (0, 0, *SIZE)) == pytest.approx(wanted)


def test_a_tap_outside_of_the_picture_stays_on_the_photo() -> None:
    x, y = on_photo(tap(-50, 900, 1), (0, 0, *SIZE))
    assert (x, y) == (0, 2999)


def test_the_near_view_holds_the_point_and_stays_on_the_photo() -> None:
    for point in [(0.0, 0.0), (3999.0, 2999.0), (2000.0, 100.0)]:
        x, y, w, h = near_box(point, SIZE)
        assert 0 <= x <= point[0] <= x + w <= SIZE[0]
        assert 0 <= y <= point[1] <= y + h <= SIZE[1]
        assert w == NEAR_SHARE * SIZE[0]


def test_two_points_take_four_taps_and_are_as_good_as_the_near_view() -> None:
    state = Tapping()
    for number, (x, y) in enumerate([(100, 100), (200, 150), (300, 200), (200, 150)], start=1):
        assert not state.is_done
        state = state.tapped(tap(x, y, number), size_px=SIZE)
    assert state.is_done
    # 800 photo pixels on 400 of the screen: a finger's 2 are 4.
    assert state.u_px == pytest.approx(FINGER_PX * 800 / 400)
    taps = state.taps(85.6, before=Taps(at=(5.0, 6.0)))
    assert taps.ends is not None
    assert taps.ends[0] == pytest.approx((999.5, 999.5))
    assert taps.ends[1] == state.points[1]
    assert taps.at == (5.0, 6.0)
    assert taps.length_mm == 85.6


def test_the_same_tap_is_not_taken_twice() -> None:
    once = Tapping().tapped(tap(100, 100, 7), size_px=SIZE)
    assert once.tapped(tap(100, 100, 7), size_px=SIZE) is once


def test_each_step_can_be_taken_back() -> None:
    near = Tapping().tapped(tap(100, 100, 1), size_px=SIZE)
    one = near.tapped(tap(200, 150, 2), size_px=SIZE)
    assert near.back().near is None
    assert one.back().points == ()
    assert len({Tapping().asks(), near.asks(), one.asks()}) == 3
