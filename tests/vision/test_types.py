"""What travels between the steps, against OpenCV's projection and against many draws."""

from __future__ import annotations

import tomllib
from importlib.resources import files

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.types import Photo, Scale, Surface

TILTED = np.array([[0.1, 0.004, -12.0], [-0.003, 0.11, -8.0], [1e-5, 4e-5, 1.0]])


def scale(**said: object) -> Scale:
    return Scale(
        reference="card",
        mm_from_px=TILTED,
        mm_per_px=0.1,
        u_rel=0.001,
        budget={"edges": 0.001},
        tilt_deg=8.0,
        residual_px=0.2,
        **{"outlines_px": (), "camera_mm": (0.0, 0.0, 300.0), **said},  # type: ignore[arg-type]
    )


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.floats(0, 4000), st.floats(0, 3000)), min_size=1, max_size=5))
def test_pixels_become_millimetres_as_opencv_maps_them(points: list[tuple[float, float]]) -> None:
    px = np.array(points)
    reference = cv2.perspectiveTransform(px[None], TILTED)[0]
    assert scale().to_mm(px) == pytest.approx(reference, rel=1e-9, abs=1e-9)


def test_doubt_that_has_a_direction_is_the_scatter_of_many_drawn_planes() -> None:
    """The log of the scale changes by g . x; g is drawn from its covariance (JCGM 101)."""
    covariance = np.array([[4e-8, 1e-8], [1e-8, 9e-9]])
    here = scale(away_covariance_px=covariance)
    origin = np.linalg.inv(TILTED)[:, 2]
    points = origin[:2] / origin[2] + np.array([[900.0, 0.0], [0.0, 900.0], [600.0, -700.0]])
    gradients = np.random.default_rng(1).multivariate_normal([0, 0], covariance, 40_000)
    drawn = (gradients @ (points - origin[:2] / origin[2]).T).std(axis=0)
    assert here.away_u_rel(points) == pytest.approx(drawn, rel=0.02)


def test_doubt_without_a_direction_grows_with_the_distance_from_the_reference() -> None:
    square = np.array([[100.0, 100.0], [200.0, 100.0], [200.0, 200.0], [100.0, 200.0]])
    here = scale(outlines_px=(square,), u_away_rel_per_mm=0.001)
    middle = here.to_mm(square).mean(axis=0)
    points = np.array([[150.0, 150.0], [1150.0, 150.0], [150.0, 2150.0]])
    away_mm = np.linalg.norm(here.to_mm(points) - middle, axis=1)
    assert here.away_u_rel(points) == pytest.approx(0.001 * away_mm)
    assert list(here.away_u_rel(points)) == sorted(here.away_u_rel(points))


def test_the_planes_of_the_shipped_network_are_the_classes_in_order() -> None:
    card = tomllib.loads(files("models").joinpath("surface.toml").read_text(encoding="utf-8"))
    assert card["classes"] == [str(surface) for surface in Surface]


def test_width_and_height_are_those_of_the_upright_picture() -> None:
    photo = Photo(name="a", sha256="0" * 64, rgb=np.zeros((30, 40, 3), np.uint8))
    assert (photo.width_px, photo.height_px) == (40, 30)
