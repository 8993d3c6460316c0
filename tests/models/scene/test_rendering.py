"""What the tracer sees lies where the truth says."""

from __future__ import annotations

import importlib.util
import json

import numpy as np
import pytest

from models.recipe.look.camera import develop, make_camera
from models.recipe.look.lights import make_light
from models.recipe.scene import assembly as scene
from models.recipe.scene import truth
from vision.types import Surface


@pytest.mark.skipif(
    importlib.util.find_spec("mitsuba") is None, reason="Mitsuba is not installed here"
)
def test_a_rendered_card_lies_where_its_outline_says() -> None:
    from models.recipe.scene.rendering import Stage

    rng = np.random.default_rng(11)
    made = scene.build(rng, half_mm=(60, 50), kinds=["wire"], reference="card", table="paper")
    camera = make_camera(
        rng, size_px=(160, 120), height_mm=260, target_mm=np.zeros(2), focal_35mm=26, tilt_deg=12
    )
    light = make_light(rng, skies=[], camera_mm=camera.origin_mm, style="overcast")
    linear, seen = Stage(made).shoot(camera, light, samples=4, seed=1, phone=False)
    assert linear.shape == (120, 160, 3)
    assert np.isfinite(linear).all()
    photo, white = develop(
        linear, rng=rng, camera=camera, irradiance=light.irradiance, scene_albedo=made.albedo
    )
    told = truth.describe(
        made,
        camera,
        seen,
        photo="x.jpg",
        split="fixtures",
        seed=0,
        light=light.name,
        white_linear=white,
    )
    json.dumps(told)
    outline = np.array(told["references"][0]["outline_px"])
    ys, xs = np.nonzero(seen.label == list(Surface).index(Surface.REFERENCE))
    for values, edge in ((xs, outline[:, 0]), (ys, outline[:, 1])):
        assert values.min() == pytest.approx(max(edge.min(), 0), abs=1.0)
    assert photo.dtype == np.uint8
    assert photo.std() > 5
