"""Ellipses against circles seen by a pinhole."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.errors import ContractError
from vision.reference.coin.ellipse import Ellipse

TRUE = Ellipse(centre_px=(412.3, 307.8), major_px=240.0, minor_px=222.0, angle_deg=33.0)


def test_the_long_axis_of_a_tilted_circle_is_its_diameter() -> None:
    """Why the long axis gives the scale: a disc of 24.26 mm 250 mm from a pinhole of 3000 px.

    OpenCV's fit to the drawn points: long axis within 0.05 %, short ones -1.5, -6.0 and
    -13.4 % at 10, 20 and 30 degrees; our ellipse of those axes runs through the points.
    """
    import cv2

    t = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    for tilt_deg, short in ((10, -1.5), (20, -6.0), (30, -13.4)):
        a = np.radians(tilt_deg)
        x, y = 12.13 * np.cos(t), 12.13 * np.sin(t)
        depth = 250 + y * np.sin(a)
        points = 3000 * np.column_stack([x / depth, y * np.cos(a) / depth])
        centre, axes, angle = cv2.fitEllipseDirect(points.astype(np.float32))
        true_px = 24.26 * 3000 / 250
        assert max(axes) / true_px - 1 == pytest.approx(0.0, abs=0.0005)
        assert 100 * (min(axes) / true_px - 1) == pytest.approx(short, abs=0.1)
        turned = angle if axes[0] > axes[1] else angle - 90
        ours = Ellipse(
            centre_px=(float(centre[0]), float(centre[1])),
            major_px=max(axes),
            minor_px=min(axes),
            angle_deg=turned,
        )
        radii = [ours.radius_of(float(px), float(py)) for px, py in points[::30]]
        assert radii == pytest.approx([1.0] * len(radii), abs=0.001)


def test_points_lie_on_the_ellipse_and_the_middle_within() -> None:
    for x, y in TRUE.points(12):
        assert TRUE.radius_of(float(x), float(y)) == pytest.approx(1.0, abs=1e-9)
    assert TRUE.radius_of(*TRUE.centre_px) == 0.0


def test_the_box_around_an_ellipse_just_holds_it() -> None:
    half_w, half_h = TRUE.half_extent_px()
    points = TRUE.points(3600) - np.array(TRUE.centre_px)
    assert np.abs(points[:, 0]).max() == pytest.approx(half_w, abs=0.01)
    assert np.abs(points[:, 1]).max() == pytest.approx(half_h, abs=0.01)


def test_axes_that_make_no_ellipse_are_refused() -> None:
    with pytest.raises(ContractError):
        Ellipse(centre_px=(0.0, 0.0), major_px=10.0, minor_px=11.0, angle_deg=0.0)
    with pytest.raises(ContractError):
        Ellipse(centre_px=(0.0, 0.0), major_px=float("nan"), minor_px=1.0, angle_deg=0.0)


ELLIPSES = st.builds(
    lambda x, y, major, ratio, angle: Ellipse(
        centre_px=(x, y), major_px=major, minor_px=major * ratio, angle_deg=angle
    ),
    st.floats(-500, 5000),
    st.floats(-500, 5000),
    st.floats(5, 2000),
    st.floats(0.2, 1.0),
    st.floats(-90, 90),
)


@given(ELLIPSES)
def test_area_and_box_are_those_of_its_drawn_points(ellipse: Ellipse) -> None:
    # The shoelace formula over 720 corners loses 1 - sinc(1/360) of the area, 0.001 %.
    x, y = ellipse.points(720).T
    area = abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))) / 2
    assert area == pytest.approx(ellipse.area_px, rel=1e-3)
    half_w, half_h = ellipse.half_extent_px()
    assert np.ptp(x) / 2 == pytest.approx(half_w, rel=1e-3)
    assert np.ptp(y) / 2 == pytest.approx(half_h, rel=1e-3)


@given(ELLIPSES, st.floats(0.0, 3.0), st.integers(0, 11))
def test_so_many_times_as_far_from_the_middle_is_so_far_out(
    ellipse: Ellipse, times: float, which: int
) -> None:
    middle = np.array(ellipse.centre_px)
    x, y = middle + times * (ellipse.points(12)[which] - middle)
    assert ellipse.radius_of(float(x), float(y)) == pytest.approx(times, abs=1e-6)


def test_seen_from_far_the_axis_ratio_is_the_cosine_of_the_tilt() -> None:
    for tilt_deg in (0, 10, 25, 39):
        ratio = np.cos(np.radians(tilt_deg))
        seen = Ellipse(centre_px=(0.0, 0.0), major_px=100.0, minor_px=100 * ratio, angle_deg=0.0)
        assert np.degrees(np.arccos(seen.axis_ratio)) == pytest.approx(tilt_deg, abs=1e-6)


def test_turned_by_a_quarter_the_box_lies_on_its_side() -> None:
    upright = Ellipse(centre_px=(9.0, 9.0), major_px=60.0, minor_px=40.0, angle_deg=20.0)
    lying = Ellipse(centre_px=(9.0, 9.0), major_px=60.0, minor_px=40.0, angle_deg=-70.0)
    assert upright.half_extent_px() == pytest.approx(lying.half_extent_px()[::-1])
