"""The body of a coin, against a flat-coloured disc projected by a camera of known pose.

Truth is the pinhole camera (Hartley & Zisserman 2004, chapter 6): circles of face and foot
are projected point by point here, and their hull is filled.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from vision.reference.coin.body import (
    BodyLook,
    between_planes,
    frames_of,
    image_of_plane,
    long_axis,
    look_at_body,
    planes_tried,
    planes_within,
    slopes_of,
)
from vision.reference.coin.ellipse import Ellipse
from vision.reference.coin.tilt import plane_of_coins
from vision.types import FloatArray, Image

FOCAL_PX = 1200.0
MIDDLE_PX = np.array([319.5, 239.5])
DIAMETER_MM, THICKNESS_MM = 23.25, 2.33
FINER = 4


def rims(slopes: FloatArray, at_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """``(n, 2)`` pixels of the face's rim and of the foot's."""
    normal = np.array([*slopes, 1.0]) / np.linalg.norm([*slopes, 1.0])
    ray = np.array([*((at_px - MIDDLE_PX) / FOCAL_PX), 1.0])
    centre = 200.0 * ray
    right = np.cross(normal, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    turn = np.linspace(0, 2 * np.pi, 360, endpoint=False)[:, None]
    circle = DIAMETER_MM / 2 * (np.cos(turn) * right + np.sin(turn) * np.cross(normal, right))
    face, foot = centre + circle, centre + circle + THICKNESS_MM * normal
    return tuple(p[:, :2] / p[:, 2:] * FOCAL_PX + MIDDLE_PX for p in (face, foot))


def drawn(slopes: FloatArray, at_px: FloatArray) -> tuple[Image, Ellipse, FloatArray]:
    """The photo, the ellipse of face and wall together, and the face's rim."""
    face, foot = rims(slopes, at_px)
    hull = cv2.convexHull(np.concatenate([face, foot]).astype(np.float32))[:, 0]
    image = np.full((480 * FINER, 640 * FINER, 3), (205, 200, 190), np.uint8)
    for points, colour in ((hull, (70, 60, 40)), (face, (160, 130, 80))):
        at = np.rint(((points + 0.5) * FINER - 0.5) * 16).astype(np.int32)
        cv2.fillPoly(image, [at], colour, shift=4)
    small = cv2.resize(image, (640, 480), interpolation=cv2.INTER_AREA)
    (x, y), (a, b), angle = cv2.fitEllipseDirect(hull)
    along = angle if a >= b else angle + 90
    found = Ellipse(
        centre_px=(x, y),
        major_px=max(a, b),
        minor_px=min(a, b),
        angle_deg=(along + 90) % 180 - 90,
    )
    return small, found, face


def look(slopes: FloatArray, at_px: FloatArray) -> tuple[BodyLook, Ellipse, FloatArray]:
    image, found, face = drawn(slopes, at_px)
    ray = (np.array(found.centre_px) - MIDDLE_PX) / FOCAL_PX
    body = look_at_body(image, found, ray=ray, thickness_share=THICKNESS_MM / DIAMETER_MM)
    return body, found, face


def nearest(slopes: FloatArray) -> int:
    return int(np.linalg.norm(slopes_of(planes_tried()) - slopes, axis=1).argmin())


TILTS = [(16.0, 0.0), (-12.0, 12.0), (4.0, -20.0)]


@pytest.mark.parametrize("tilt_deg", TILTS)
def test_the_wall_tells_a_plane_from_its_mirror_image(tilt_deg: tuple[float, float]) -> None:
    slopes = slopes_of(np.radians([tilt_deg]))[0]
    body, _, _ = look(slopes, MIDDLE_PX)
    assert body.scores[nearest(slopes)] > body.scores[nearest(-slopes)] + 0.06
    best = slopes_of(planes_tried())[body.scores.argmax()]
    assert np.linalg.norm(best - slopes) < 0.1  # planes are 4 degrees apart: 0.07


@pytest.mark.parametrize("tilt_deg", TILTS)
def test_size_and_place_are_the_faces_though_the_wall_was_outlined_too(
    tilt_deg: tuple[float, float],
) -> None:
    slopes = slopes_of(np.radians([tilt_deg]))[0]
    body, found, face = look(slopes, MIDDLE_PX)
    (x, y), axes, _ = cv2.fitEllipseDirect(face.astype(np.float32))
    row = nearest(slopes)
    assert np.exp(body.log_major[row]) == pytest.approx(max(axes), rel=0.008)
    assert body.centres_px[row] == pytest.approx((x, y), abs=0.6)
    # The outline of both together lies elsewhere: that is what this is for.
    assert np.hypot(found.centre_px[0] - x, found.centre_px[1] - y) > 1.0


def test_in_the_middle_body_and_ellipse_together_settle_the_way_of_tilt() -> None:
    slopes = slopes_of(np.radians([[16.0, 0.0]]))[0]
    body, found, _ = look(slopes, MIDDLE_PX)
    told = {
        "residuals": [0.002],
        "thickness_share": THICKNESS_MM / DIAMETER_MM,
        "focal_px": FOCAL_PX,
        "middle_px": MIDDLE_PX,
    }
    alone = plane_of_coins([found], **told)  # type: ignore[arg-type]
    both = plane_of_coins([found], bodies=[body], **told)  # type: ignore[arg-type]
    assert np.linalg.norm(both.slopes - slopes) < 0.5 * np.linalg.norm(alone.slopes - slopes)
    assert np.trace(both.covariance) < np.trace(alone.covariance)
    off = both.slopes - slopes
    assert off @ np.linalg.solve(both.covariance, off) < 9.2  # chi squared, 2 degrees, 99 %
    # A coin at 200 mm lying square would show so many pixels.
    assert np.exp(both.log_size) == pytest.approx(DIAMETER_MM / 200.0 * FOCAL_PX, rel=0.015)


def test_two_rings_that_may_both_be_the_outline_are_doubt() -> None:
    """The rim shows on every other twelfth, on those between what lies 7 % out, as on cloth."""
    image, found, _ = drawn(np.zeros(2), MIDDLE_PX)
    seam = image.copy()
    y, x = np.indices(image.shape[:2])
    dx, dy = x - found.centre_px[0], y - found.centre_px[1]
    out = np.hypot(dx, dy) / (found.major_px / 2)
    seam[(out > 0.9) & (out < 1.07) & (np.degrees(np.arctan2(dy, dx)) % 60 < 30)] = (160, 130, 80)
    share = THICKNESS_MM / DIAMETER_MM
    clear, doubtful = (
        look_at_body(one, found, ray=np.zeros(2), thickness_share=share) for one in (image, seam)
    )
    assert clear.u_log_major < 0.005
    assert doubtful.u_log_major > 0.01


def test_the_image_moves_as_projected_points_do() -> None:
    slopes, ray = np.array([[0.2, -0.1]]), np.array([0.15, 0.3])
    by_place, by_depth = image_of_plane(slopes, ray)
    normal = np.array([0.2, -0.1, 1.0]) / np.linalg.norm([0.2, -0.1, 1.0])
    start, step = np.array([*ray, 1.0]), 1e-6
    below = start + step * normal
    assert (below[:2] / below[2] - ray) / step == pytest.approx(by_depth[0], abs=1e-5)
    # Circles grow or shrink alike whichever way the two steps on the plane are turned.
    right = np.cross(normal, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    other = np.array([right, np.cross(normal, right)])
    moved = start + step * other
    seen = ((moved[:, :2] / moved[:, 2:] - ray) / step).T
    assert np.linalg.svd(seen)[1] == pytest.approx(np.linalg.svd(by_place[0])[1], abs=1e-5)
    assert long_axis(by_place)[0] == pytest.approx(np.linalg.norm(seen, 2), abs=1e-5)


def test_between_planes_shares_add_up_and_tried_ones_stand_for_themselves() -> None:
    tried = planes_tried()
    rows, shares = between_planes(tried)
    assert shares.sum(axis=1) == pytest.approx(1.0)
    assert (rows[np.arange(len(tried)), shares.argmax(axis=1)] == np.arange(len(tried))).all()
    inner = np.radians([[1.0, -3.0], [9.5, 11.0]])
    rows, shares = between_planes(inner)
    assert np.einsum("nk,nki->ni", shares, tried[rows]) == pytest.approx(inner)


def test_steeper_planes_take_the_steepest_of_their_direction() -> None:
    rows, shares = between_planes(np.radians([[40.0, 0.0]]))
    assert np.degrees(shares[0] @ planes_tried()[rows[0]]) == pytest.approx([28.0, 0.0])


@given(st.floats(-0.6, 0.6), st.floats(-0.6, 0.6))
def test_the_axes_of_a_plane_are_square_to_each_other_and_turn_right(a: float, b: float) -> None:
    right, other, normal = (axis[0] for axis in frames_of(np.array([[a, b]])))
    frame = np.column_stack([right, other, normal])
    assert frame.T @ frame == pytest.approx(np.eye(3), abs=1e-9)
    assert np.linalg.det(frame) == pytest.approx(1.0)
    # A plane of slopes (a, b) has the normal (a, b, 1), away from the camera.
    assert normal == pytest.approx(np.array([a, b, 1]) / np.linalg.norm([a, b, 1]))


@given(st.floats(-0.6, 0.6), st.floats(-0.6, 0.6))
def test_angles_become_slopes_of_that_tilt_and_direction(x: float, y: float) -> None:
    tilt = np.hypot(x, y)
    assume(1e-3 < tilt < 0.7)
    (slopes,) = slopes_of(np.array([[x, y]]))
    assert np.arctan(np.hypot(*slopes)) == pytest.approx(tilt)
    assert np.arctan2(slopes[1], slopes[0]) == pytest.approx(np.arctan2(y, x))


def test_planes_tried_lie_evenly_and_none_is_steeper_than_the_most() -> None:
    angles = planes_within(10.0, 2.0)
    assert np.degrees(np.hypot(*angles.T)).max() <= 10.0 + 1e-6
    # Whole points of a grid of step 1 within a circle of radius 5: 81 (Gauss's circle problem).
    assert len(angles) == 81
    assert (angles == 0).all(axis=1).any()


@given(arrays(np.float64, (2, 2), elements=st.floats(-3, 3)))
def test_the_long_axis_of_a_circle_s_image_is_the_largest_singular_value(
    by_place: FloatArray,
) -> None:
    # numpy.linalg.svd: the image of the unit circle has the singular values for half axes.
    expected = np.linalg.svd(by_place, compute_uv=False).max()
    assert long_axis(by_place[None])[0] == pytest.approx(expected, abs=1e-9)
