"""The plane under a coin, against circles projected by a camera of known pose.

Truth is the pinhole camera (Hartley & Zisserman 2004, chapter 6), drawn here by itself.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision.reference.coin.ellipse import Ellipse
from vision.reference.coin.tilt import CoinPlane, plane_of_coins
from vision.types import FloatArray

FOCAL_PX = 1200.0
MIDDLE_PX = np.array([799.5, 599.5])
DIAMETER_MM = 23.25


def seen(slopes: tuple[float, float], at_px: tuple[float, float]) -> tuple[Ellipse, float]:
    """The outline of a coin on the plane of these slopes, and the depth of its centre."""
    normal = np.array([*slopes, 1.0]) / np.linalg.norm([*slopes, 1.0])
    ray = np.array([*((np.array(at_px) - MIDDLE_PX) / FOCAL_PX), 1.0])
    centre = ray * 200.0 / (normal @ ray)
    right = np.cross(normal, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)[:, None]
    rim = centre + DIAMETER_MM / 2 * (np.cos(turn) * right + np.sin(turn) * np.cross(normal, right))
    points = rim[:, :2] / rim[:, 2:] * FOCAL_PX + MIDDLE_PX
    (x, y), (a, b), angle = cv2.fitEllipseDirect(points.astype(np.float32))
    long, short = max(a, b), min(a, b)
    along = angle if a >= b else angle + 90
    along = (along + 90) % 180 - 90
    ellipse = Ellipse(centre_px=(x, y), major_px=long, minor_px=short, angle_deg=along)
    return ellipse, float(centre[2])


def plane(*ellipses: Ellipse, residual: float = 0.0005) -> CoinPlane:
    return plane_of_coins(
        ellipses,
        residuals=[residual] * len(ellipses),
        thickness_share=0.08,
        focal_px=FOCAL_PX,
        middle_px=MIDDLE_PX,
    )


def test_off_the_middle_the_steeper_of_two_planes_is_given_up() -> None:
    # A round coin 20 degrees off the axis: level, or tilted by 40 degrees.
    found = plane(seen((0.0, 0.0), (1236.0, 599.5))[0])
    assert np.abs(found.slopes).max() < 0.02
    assert np.sqrt(np.diag(found.covariance)).max() < 0.08


def test_in_the_middle_both_ways_of_tilt_stay_and_are_told_as_doubt() -> None:
    slope = np.tan(np.radians(12))
    found = plane(seen((slope, 0.0), (799.5, 599.5))[0])
    assert abs(found.slopes[0]) < 0.02
    assert np.sqrt(found.covariance[0, 0]) == pytest.approx(slope, rel=0.15)
    assert np.sqrt(found.covariance[1, 1]) < 0.4 * np.sqrt(found.covariance[0, 0])
    assert found.tilt_deg == pytest.approx(12, abs=2)


@pytest.mark.parametrize("seed", range(8))
def test_true_slopes_lie_within_their_doubt(seed: int) -> None:
    rng = np.random.default_rng(seed)
    slopes = np.tan(np.radians(rng.normal(0, 8, 2)))
    at = MIDDLE_PX + rng.uniform(-450, 450, 2)
    found = plane(seen((slopes[0], slopes[1]), (at[0], at[1]))[0])
    off = found.slopes - slopes
    assert off @ np.linalg.solve(found.covariance, off) < 9.2  # chi squared, 2 degrees, 99 %


def test_a_second_coin_halves_the_doubt() -> None:
    slopes = (np.tan(np.radians(12)), 0.0)
    one, other = (seen(slopes, at)[0] for at in ((650.0, 599.5), (950.0, 599.5)))
    both, alone = plane(one, other), plane(one)
    assert np.trace(both.covariance) < 0.5 * np.trace(alone.covariance)
    assert both.slopes[0] > 0.8 * slopes[0]


def test_a_worse_outline_tells_less() -> None:
    ellipse = seen((0.15, 0.0), (1100.0, 400.0))[0]
    clean, rough = plane(ellipse), plane(ellipse, residual=0.004)
    assert np.trace(rough.covariance) > np.trace(clean.covariance)


def test_a_clean_outline_leaves_the_doubt_that_some_are_misread() -> None:
    # Law of total variance: one of twenty is as tilts come, and Student's t with four degrees
    # of freedom has twice its scale squared (Kotz and Nadarajah 2004, from memory).
    found = plane(seen((np.tan(np.radians(-25)), 0.0), (1236.0, 599.5))[0])
    assert np.sqrt(found.covariance[1, 1]) == pytest.approx(
        np.sqrt(0.05 * 2) * np.radians(5), rel=0.2
    )


def test_a_coin_seen_steeply_is_not_overruled_by_how_people_hold_a_phone() -> None:
    # 30 degrees, the ray slanted so that one of its two planes is out of reach.
    slopes = (np.tan(np.radians(-30)), 0.0)
    found = plane(seen(slopes, (1236.0, 599.5))[0])
    assert found.slopes == pytest.approx(slopes, abs=0.1)


@pytest.mark.parametrize("at_px", [(799.5, 599.5), (1236.0, 300.0), (300.0, 900.0)])
def test_the_long_axis_gives_the_depth(at_px: tuple[float, float]) -> None:
    ellipse, depth = seen((0.0, 0.0), at_px)
    found = plane(ellipse)
    told = FOCAL_PX * DIAMETER_MM / np.exp(found.log_size)
    assert told == pytest.approx(depth, rel=0.01)


def test_the_homography_and_the_camera_belong_together() -> None:
    found = plane(seen((0.1, -0.05), (1100.0, 400.0))[0])
    centre = np.array([1100.0, 400.0])
    mm_from_px, camera = found.mm_from_px(
        centre, depth_mm=200.0, focal_px=FOCAL_PX, middle_px=MIDDLE_PX
    )
    px: FloatArray = np.array([[1100.0, 400.0], [700.0, 500.0], [900.0, 1000.0]])
    mm = cv2.perspectiveTransform(px[None], mm_from_px)[0]
    assert np.abs(mm[0]).max() < 1e-6
    assert camera[2] > 0
    # Two rays keep their angle at the camera whether read from pixels or from the plane.
    rays_px = np.column_stack([(px - MIDDLE_PX) / FOCAL_PX, np.ones(3)])
    rays_mm = np.column_stack([mm, np.zeros(3)]) - camera
    rays_px /= np.linalg.norm(rays_px, axis=1, keepdims=True)
    rays_mm /= np.linalg.norm(rays_mm, axis=1, keepdims=True)
    assert rays_mm @ rays_mm.T == pytest.approx(rays_px @ rays_px.T, abs=1e-9)


def test_a_photo_mirrored_tilts_the_other_way() -> None:
    ellipse = seen((0.12, 0.05), (1100.0, 400.0))[0]
    x, y = ellipse.centre_px
    mirrored = Ellipse(
        centre_px=(2 * MIDDLE_PX[0] - x, y),
        major_px=ellipse.major_px,
        minor_px=ellipse.minor_px,
        angle_deg=-ellipse.angle_deg,
    )
    there, back = plane(ellipse), plane(mirrored)
    assert back.slopes == pytest.approx(there.slopes * (-1, 1), abs=1e-6)
    assert back.tilt_deg == pytest.approx(there.tilt_deg)
    assert back.covariance[0, 1] == pytest.approx(-there.covariance[0, 1], abs=1e-6)


def test_twice_as_large_an_image_of_the_coin_is_half_as_far() -> None:
    ellipse, _ = seen((0.0, 0.0), (799.5, 599.5))
    large = Ellipse(
        centre_px=ellipse.centre_px,
        major_px=2 * ellipse.major_px,
        minor_px=2 * ellipse.minor_px,
        angle_deg=ellipse.angle_deg,
    )
    one, two = plane(ellipse), plane(large)
    assert two.log_size - one.log_size == pytest.approx(np.log(2))
    assert two.slopes == pytest.approx(one.slopes, abs=1e-9)


@pytest.mark.parametrize("at_px", [(799.5, 599.5), (1236.0, 300.0)])
def test_the_doubt_is_a_covariance(at_px: tuple[float, float]) -> None:
    found = plane(seen((0.1, 0.0), at_px)[0])
    assert found.covariance == pytest.approx(found.covariance.T)
    assert (np.linalg.eigvalsh(found.covariance) > -1e-12).all()
    assert found.u_log_size >= 0 and found.u_log_cosine >= 0
    assert found.shift_px == pytest.approx(np.zeros((1, 2))), "without bodies nothing shifts"
