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


@pytest.mark.skipif(
    importlib.util.find_spec("mitsuba") is None, reason="Mitsuba is not installed here"
)
@pytest.mark.parametrize("azimuth", [0.0, 0.8, 1.57])
def test_grooves_along_a_wire_widen_its_highlight_round_it(azimuth: float) -> None:
    # Ward, "Measuring and modeling anisotropic reflection" (SIGGRAPH 1992): light spreads
    # across brushed lines, not along them.
    from models.recipe.look.finishes import Skin
    from models.recipe.scene.meshes import outward, sweep
    from models.recipe.scene.rendering import load_mitsuba, material

    mi = load_mitsuba()
    turn = np.linspace(0, 2 * np.pi, 65)
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    way = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
    path = np.linspace(-30, 30, 40)[:, None] * way
    body = outward(sweep(path, (5 * circle, circle), caps=False))

    def spans(stretch: float) -> tuple[int, int]:
        """Pixels above half of the brightest, along and round."""

        def flat(value: float) -> np.ndarray:
            return np.full((8, 8), value, np.float32)

        skin = Skin(
            base=np.full((8, 8, 3), 0.6, np.float32), rough=flat(0.35), metallic=flat(1.0),
            stretch=flat(stretch), coat=flat(0.0), film=flat(0.1), height=flat(0.0),
            label=np.zeros((8, 8), np.uint8), level=flat(0.0),
        )  # fmt: skip
        props = mi.Properties()
        props["surface"] = mi.load_dict(material(mi, skin))
        mesh = mi.Mesh("wire", len(body.points), len(body.faces), props=props,
                       has_vertex_normals=True, has_vertex_texcoords=True)  # fmt: skip
        told = mi.traverse(mesh)
        told["vertex_positions"] = body.points.ravel().astype(np.float32)
        told["vertex_normals"] = body.normals.ravel().astype(np.float32)
        told["vertex_texcoords"] = body.uv.ravel().astype(np.float32)
        told["faces"] = body.faces.ravel().astype(np.uint32)
        told.update()
        look = mi.ScalarTransform4f().look_at([0, 0, 300], [0, 0, 0], [-way[1], way[0], 0])
        scene = mi.load_dict({
            "type": "scene", "how": {"type": "direct"}, "wire": mesh,
            "lamp": {"type": "point", "position": [0, 0, 400], "intensity": 1e5},
            "eye": {"type": "perspective", "fov": 12, "to_world": look,
                    "film": {"type": "hdrfilm", "width": 256, "height": 128,
                             "rfilter": {"type": "box"}},
                    "sampler": {"type": "independent", "sample_count": 32}},
        })  # fmt: skip
        seen = np.array(mi.render(scene))[..., 0]
        bright = seen > seen.max() / 2
        return int(bright[64].sum()), int(bright[:, 128].sum())

    along, around = zip(*(spans(s) for s in (-0.85, 0.0, 0.85)), strict=True)
    assert along[0] > along[1] > along[2]
    assert around[0] < around[1] < around[2]
