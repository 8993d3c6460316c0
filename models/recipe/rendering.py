"""Path-traces a scene with Mitsuba 3 and reads truth along the same rays."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.recipe.camera import Camera
from models.recipe.lights import Emitter, Light
from models.recipe.meshes import Array, outward, prism
from models.recipe.scene import ATLAS_COLUMNS, ATLAS_ROWS, Scene

# Debian 12's own LLVM crashes Dr.Jit; 19 works.
LLVM_19 = "/usr/lib/x86_64-linux-gnu/libLLVM.so.19.1"
VARIANTS = ("cuda_ad_rgb", "llvm_ad_rgb")
MAX_DEPTH = 5


def load_mitsuba(variant: str | None = None) -> Any:  # noqa: ANN401 - a module
    """Return Mitsuba with a variant that runs here: CUDA if there is one, else LLVM."""
    if "DRJIT_LIBLLVM_PATH" not in os.environ and os.path.exists(LLVM_19):  # noqa: PTH110
        os.environ["DRJIT_LIBLLVM_PATH"] = LLVM_19
    import mitsuba as mi  # noqa: PLC0415 - a recipe-only dependency

    if mi.variant() is None:
        if variant is None:
            variant = VARIANTS[0] if os.path.exists("/dev/nvidia0") else VARIANTS[1]  # noqa: PTH110
        mi.set_variant(variant)
    return mi


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """What each pixel of the window truly shows."""

    label: NDArray[np.uint8]
    piece: NDArray[np.uint8]
    level: NDArray[np.uint8]


class Stage:
    """A scene loaded for rendering under many lights and cameras."""

    def __init__(self, scene: Scene, *, variant: str | None = None) -> None:
        self.mi = load_mitsuba(variant)
        self.scene = scene
        self.bsdf = self._material()
        self.mesh = self._mesh("things", scene.mesh.points, scene.mesh.normals, scene.mesh.uv,
                               scene.mesh.faces, bsdf=self.bsdf)  # fmt: skip

    def _texture(self, array: NDArray[np.float32]) -> Any:  # noqa: ANN401
        data = array if array.ndim == 3 else array[..., None]
        return {
            "type": "bitmap",
            "data": self.mi.TensorXf(np.ascontiguousarray(data, np.float32)),
            "raw": True,
            "wrap_mode": "clamp",
        }

    def _material(self) -> Any:  # noqa: ANN401
        a = self.scene.atlas
        return self.mi.load_dict(
            {
                "type": "bumpmap",
                "height": self._texture(a.height),
                "scale": 1.0,
                "surface": {
                    "type": "principled",
                    "base_color": self._texture(a.base),
                    "roughness": self._texture(a.rough),
                    "metallic": self._texture(a.metallic),
                    "anisotropic": self._texture(a.stretch),
                    "clearcoat": self._texture(a.coat),
                    "clearcoat_gloss": 0.9,
                    "specular": 0.5,
                },
            }
        )

    def _mesh(
        self,
        name: str,
        points: Array,
        normals: Array,
        uv: Array,
        faces: NDArray[np.int64],
        *,
        bsdf: Any = None,  # noqa: ANN401
        emitter: Any = None,  # noqa: ANN401
    ) -> Any:  # noqa: ANN401
        mi = self.mi
        props = mi.Properties()
        if bsdf is not None:
            props["surface"] = bsdf
        if emitter is not None:
            props["light"] = emitter
        mesh = mi.Mesh(name, len(points), len(faces), has_vertex_normals=True,
                       has_vertex_texcoords=True, props=props)  # fmt: skip
        p = mi.traverse(mesh)
        p["vertex_positions"] = np.ascontiguousarray(points, np.float32).ravel()
        p["vertex_normals"] = np.ascontiguousarray(normals, np.float32).ravel()
        p["vertex_texcoords"] = np.ascontiguousarray(uv, np.float32).ravel()
        p["faces"] = np.ascontiguousarray(faces, np.uint32).ravel()
        p.update()
        return mesh

    def _phone(self, camera: Camera) -> Any:  # noqa: ANN401
        """A dark slab behind the lens: metal mirrors it and it takes light away."""
        outline = np.array([[18.0, 138], [-57, 138], [-57, -12], [18, -12]])
        slab = prism(outline, bottom_mm=-9.0, top_mm=-1.0)
        # Its upper face looks along the camera, with the lens near one corner.
        axes = np.stack([camera.right, camera.down, camera.forward], axis=1)
        placed = outward(slab.moved(axes, camera.origin_mm))
        dark = np.array([[(ATLAS_COLUMNS - 4) / ATLAS_COLUMNS, (ATLAS_ROWS - 4) / ATLAS_ROWS]])
        return self._mesh("phone", placed.points, placed.normals,
                          np.repeat(dark, len(placed.points), axis=0), placed.faces,
                          bsdf=self.bsdf)  # fmt: skip

    def _lamp(self, name: str, lamp: Emitter) -> Any:  # noqa: ANN401
        to = lamp.target_mm - lamp.centre_mm
        to = to / np.linalg.norm(to)
        side = np.cross(to, [0.3, 0.9, 0.1])
        side /= np.linalg.norm(side)
        other = np.cross(to, side)
        half = lamp.size_mm / 2
        corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        points = lamp.centre_mm + half * (corners[:, :1] * side + corners[:, 1:] * other)
        faces = np.array([[0, 1, 2], [0, 2, 3]])
        if np.cross(points[1] - points[0], points[2] - points[0]) @ to < 0:
            faces = faces[:, ::-1]
        emitter = self.mi.load_dict(
            {"type": "area", "radiance": {"type": "rgb", "value": [float(c) for c in lamp.radiance]}}
        )
        return self._mesh(name, points, np.tile(to, (4, 1)), (corners + 1) / 2, faces,
                          emitter=emitter)  # fmt: skip

    def _load(self, camera: Camera, light: Light, *, phone: bool) -> Any:  # noqa: ANN401
        mi = self.mi
        stand = mi.ScalarTransform4f().rotate([1, 0, 0], 90)
        members: dict[str, Any] = {
            "type": "scene",
            "things": self.mesh,
            "sky": {
                "type": "envmap",
                "bitmap": mi.Bitmap(np.ascontiguousarray(light.env, np.float32)),
                "to_world": stand,
            },
        }
        if phone:
            members["phone"] = self._phone(camera)
        for k, lamp in enumerate(light.emitters):
            members[f"lamp{k}"] = self._lamp(f"lamp{k}", lamp)
        return mi.load_dict(members)

    def _sensor(self, camera: Camera, *, samples: int) -> Any:  # noqa: ANN401
        mi = self.mi
        x, y, w, h = camera.window
        return mi.load_dict(
            {
                "type": "thinlens",
                "fov": float(np.degrees(2 * np.arctan(camera.width_px / 2 / camera.focal_px))),
                "fov_axis": "x",
                "aperture_radius": camera.aperture_mm,
                "focus_distance": camera.focus_mm,
                "near_clip": 1.0,
                "far_clip": 1e5,
                "to_world": mi.ScalarTransform4f().look_at(
                    origin=[float(c) for c in camera.origin_mm],
                    target=[float(c) for c in camera.origin_mm + camera.forward * 100],
                    up=[float(c) for c in -camera.down],
                ),
                "film": {
                    "type": "hdrfilm",
                    "width": camera.width_px,
                    "height": camera.height_px,
                    "crop_offset_x": x,
                    "crop_offset_y": y,
                    "crop_width": w,
                    "crop_height": h,
                    "pixel_format": "rgb",
                    "component_format": "float32",
                    "rfilter": {"type": "box"},
                },
                "sampler": {"type": "independent", "sample_count": samples},
            }
        )

    def shoot(
        self, camera: Camera, light: Light, *, samples: int, seed: int, phone: bool = True
    ) -> tuple[NDArray[np.float32], Truth]:
        """Return linear radiance ``(h, w, 3)`` and the truth of the camera's window."""
        mi = self.mi
        scene = self._load(camera, light, phone=phone)
        integrator = mi.load_dict({"type": "path", "max_depth": MAX_DEPTH, "rr_depth": 4})
        image = mi.render(scene, sensor=self._sensor(camera, samples=samples),
                          integrator=integrator, seed=seed, spp=samples)  # fmt: skip
        linear = np.array(image, np.float32)
        linear = np.nan_to_num(linear, nan=0.0, posinf=1e4)
        return linear, self._truth(scene, camera)

    def _truth(self, scene: Any, camera: Camera) -> Truth:  # noqa: ANN401
        import drjit as dr  # noqa: PLC0415

        mi = self.mi
        d = camera.rays().reshape(-1, 3).astype(np.float32)
        n = len(d)
        origin = mi.Point3f(*[float(c) for c in camera.origin_mm])
        ray = mi.Ray3f(origin, mi.Vector3f(*[mi.Float(np.ascontiguousarray(d[:, k])) for k in range(3)]))
        hit = scene.ray_intersect_preliminary(ray, coherent=True)
        valid = np.array(hit.is_valid() & (hit.shape == mi.ShapePtr(self.mesh)))
        prim = np.array(hit.prim_index).astype(np.int64)
        bary = np.array(hit.prim_uv).T if np.array(hit.prim_uv).shape[0] == 2 else np.array(hit.prim_uv)
        del dr
        valid = np.broadcast_to(valid, (n,))
        faces, uv = self.scene.mesh.faces, self.scene.mesh.uv
        prim = np.where(valid, prim, 0)
        corner = uv[faces[prim]]
        b = np.column_stack([1 - bary.sum(axis=1), bary])
        at = np.einsum("nk,nkc->nc", b, corner)
        column = np.clip((at[:, 0] * ATLAS_COLUMNS).astype(int), 0, ATLAS_COLUMNS - 1)
        row = np.clip((at[:, 1] * ATLAS_ROWS).astype(int), 0, ATLAS_ROWS - 1)
        shape = (camera.window[3], camera.window[2])
        label = np.where(valid, self.scene.atlas.label[row, column], 0).astype(np.uint8)
        piece = np.where(valid, self.scene.face_piece[prim], 0).astype(np.uint8)
        level = np.where(valid, self.scene.atlas.level[row, column], 0.0)
        return Truth(
            label=label.reshape(shape),
            piece=piece.reshape(shape),
            level=np.clip(level * 255 + 0.5, 0, 255).astype(np.uint8).reshape(shape),
        )
