"""Path-traces a scene with Mitsuba 3 and reads truth along the same rays."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.recipe.look.camera import Camera
from models.recipe.look.finishes import Skin
from models.recipe.look.lights import Emitter, Light
from models.recipe.scene.assembly import ATLAS_COLUMNS, ATLAS_ROWS, Scene
from models.recipe.scene.meshes import Array, outward, prism
from models.recipe.scene.relief import register

# Debian 12's own LLVM crashes Dr.Jit; 19 works.
LLVM_19 = "/usr/lib/x86_64-linux-gnu/libLLVM.so.19.1"
VARIANTS = ("cuda_ad_rgb", "llvm_ad_rgb")
MAX_DEPTH = 5
# Rays of one launch; more are split into passes, for the memory of the card.
MOST_RAYS = 2**25
# Refractive index of enamel and lacquer (1.5 to 1.6 for the usual resins; from memory).
COAT_INDEX = 1.5
# (1 - 0.04)**2 goes down and comes back, and a little is thrown down once more.
COAT_TAKES = 0.07
# A metal's lobe comes out of the coat wider: Snell's law turns a small angle in it into
# n times that outside. Of GGX alpha.
COAT_WIDENS = 1.45
# A single sample counts at most so many times a white surface: fewer fireflies.
FIREFLY = 30.0


def load_mitsuba(variant: str | None = None) -> Any:  # noqa: ANN401
    """Return Mitsuba with a variant that runs here: CUDA if there is one, else LLVM."""
    if "DRJIT_LIBLLVM_PATH" not in os.environ and Path(LLVM_19).exists():
        os.environ["DRJIT_LIBLLVM_PATH"] = LLVM_19
    import mitsuba as mi

    if mi.variant() is None:
        if variant is None:
            variant = VARIANTS[0] if any(Path("/dev").glob("nvidia[0-9]*")) else VARIANTS[1]
        mi.set_variant(variant)
        register(mi)
    return mi


def under_coat(skin: Skin) -> NDArray[np.float32]:
    """Return the roughness of a skin as seen through its coat (alpha is its square)."""
    wider = 1 + (np.sqrt(COAT_WIDENS) - 1) * skin.coat * skin.metallic
    return np.clip(skin.rough * wider, 0, 1).astype(np.float32)


def _round(stretch: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the principled model's anisotropy for a skin's stretch.

    Its alpha is divided by ``sqrt(1 - 0.9 a)`` along the texture's rows, round a piece; below 0
    the aspect ratio is the inverse, so that the lobe is the same one turned by a quarter.
    """
    scoured = np.clip(-stretch, 0, 0.95)
    turned = (1 - 1 / (1 - 0.9 * scoured)) / 0.9
    return np.where(stretch < 0, turned, stretch).astype(np.float32)


def texture(mi: Any, array: NDArray[np.float32]) -> dict[str, Any]:  # noqa: ANN401
    """Return a map as the renderer's texture, its numbers as they are."""
    data = array if array.ndim == 3 else array[..., None]
    return {
        "type": "bitmap",
        "data": mi.TensorXf(np.ascontiguousarray(data, np.float32)),
        "raw": True,
        "wrap_mode": "clamp",
    }


def material(mi: Any, skin: Skin) -> dict[str, Any]:  # noqa: ANN401
    """Return one material for all: the skin, and a clear coat's own mirror above it.

    The principled model's clear coat falls off with the angle where glass rises: 1.8 %
    at 45 degrees for the 5 % of Fresnel's law. So the coat is a rough dielectric of
    its own, at Fresnel's full strength in the share ``COAT_TAKES`` of the samples;
    what is left to the skin below is what two passes through the coat leave.
    """
    even = np.full((4, 4, 3), 1 / COAT_TAKES, np.float32)
    return {
        "type": "relief",
        "height": texture(mi, skin.height),
        "surface": {
            "type": "blendbsdf",
            "weight": texture(mi, COAT_TAKES * skin.coat),
            "skin": {
                "type": "principled",
                "base_color": texture(mi, skin.base),
                "roughness": texture(mi, under_coat(skin)),
                "metallic": texture(mi, skin.metallic),
                "anisotropic": texture(mi, _round(skin.stretch)),
                "specular": 0.5,
            },
            # A conductor that does not absorb is a dielectric seen from outside.
            "coat": {
                "type": "roughconductor",
                "distribution": "ggx",
                "eta": COAT_INDEX,
                "k": 0.0,
                "alpha": texture(mi, skin.film),
                "specular_reflectance": texture(mi, even),
            },
        },
    }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """What each pixel of the window truly shows.

    Attributes:
        label: ``(h, w)`` index of ``vision.types.Surface``.
        piece: Number of the piece or stranger, 0 for none.
        level: Tarnish, 0 to 255.
        texel: Index in the flat atlas of the scene, -1 for none; None where nobody asked.
    """

    label: NDArray[np.uint8]
    piece: NDArray[np.uint8]
    level: NDArray[np.uint8]
    texel: NDArray[np.int32] | None = None


class Stage:
    """A scene loaded for rendering under many lights and cameras."""

    def __init__(self, scene: Scene, *, variant: str | None = None) -> None:
        self.mi = load_mitsuba(variant)
        self.scene = scene
        self.bsdf = self.mi.load_dict(material(self.mi, scene.atlas))
        self.integrator = self.mi.load_dict({"type": "path", "max_depth": MAX_DEPTH, "rr_depth": 4})
        self.white = 1.0
        self.tables: tuple[Any, ...] | None = None
        self.mesh = self._mesh("things", scene.mesh.points, scene.mesh.normals, scene.mesh.uv,
                               scene.mesh.faces, bsdf=self.bsdf)  # fmt: skip

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

    def _body(self, quads: Array) -> Any:  # noqa: ANN401
        """Whoever stands in the light, as dark as the phone."""
        n = len(quads)
        flat = np.cross(quads[:, 1] - quads[:, 0], quads[:, 2] - quads[:, 0])
        flat /= np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-9)
        first = 4 * np.arange(n)[:, None]
        one = np.concatenate([first + [0, 1, 2], first + [0, 2, 3]])
        # Seen from either side: a second set of corners looks the other way.
        points = np.tile(quads.reshape(-1, 3), (2, 1))
        normals = np.concatenate([np.repeat(flat, 4, axis=0), -np.repeat(flat, 4, axis=0)])
        faces = np.concatenate([one, one[:, ::-1] + 4 * n])
        dark = np.array([[(ATLAS_COLUMNS - 4) / ATLAS_COLUMNS, (ATLAS_ROWS - 4) / ATLAS_ROWS]])
        return self._mesh("body", points, normals, np.repeat(dark, len(points), axis=0), faces,
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
            {
                "type": "area",
                "radiance": {"type": "rgb", "value": [float(c) for c in lamp.radiance]},
            }
        )
        return self._mesh(name, points, np.tile(to, (4, 1)), (corners + 1) / 2, faces,
                          emitter=emitter)  # fmt: skip

    def _load(self, camera: Camera, light: Light, *, phone: bool) -> Any:  # noqa: ANN401
        mi = self.mi
        stand = mi.ScalarTransform4f().rotate([1, 0, 0], 90)
        members: dict[str, Any] = {
            "type": "scene",
            "things": self.mesh,
        }
        if light.env.size:
            members["sky"] = {
                "type": "envmap",
                "bitmap": mi.Bitmap(np.ascontiguousarray(light.env, np.float32)),
                "to_world": stand,
            }
        if phone:
            members["phone"] = self._phone(camera)
        if len(light.blockers):
            members["body"] = self._body(light.blockers)
        for k, lamp in enumerate(light.emitters):
            members[f"lamp{k}"] = self._lamp(f"lamp{k}", lamp)
        return mi.load_dict(members)

    def _rays(self, camera: Camera, sampler: Any, *, samples: int) -> tuple[Any, Any]:  # noqa: ANN401
        """Return one ray a sample through the window, and the pixel each belongs to.

        All numbers of the camera are opaque to the compiler, so that one kernel
        serves every camera.
        """
        mi = self.mi
        import drjit as dr

        _, _, w, h = camera.window
        opaque = lambda value: dr.opaque(mi.Float, float(value))  # noqa: E731
        vector = lambda v: mi.Vector3f(opaque(v[0]), opaque(v[1]), opaque(v[2]))  # noqa: E731
        index = dr.arange(mi.UInt32, w * h * samples)
        pixel = index // dr.opaque(mi.UInt32, samples)
        wide = dr.opaque(mi.UInt32, w)
        row = pixel // wide
        column = pixel - row * wide
        if sampler is None:  # through the centre of the pixel and of the lens
            jitter, lens = mi.Point2f(0.5), mi.Point2f(0.5)
        else:
            jitter, lens = sampler.next_2d(), sampler.next_2d()
        x0, y0 = camera.window[:2]
        focal = opaque(camera.focal_px)
        x = (mi.Float(column) + jitter.x - 0.5 + opaque(x0 - (camera.width_px - 1) / 2)) / focal
        y = (mi.Float(row) + jitter.y - 0.5 + opaque(y0 - (camera.height_px - 1) / 2)) / focal
        right, down = vector(camera.right), vector(camera.down)
        disc = mi.warp.square_to_uniform_disk_concentric(lens) * opaque(camera.aperture_mm)
        offset = right * disc.x + down * disc.y
        focus = opaque(camera.focus_mm)
        toward = (vector(camera.forward) + right * x + down * y) * focus - offset
        ray = mi.RayDifferential3f(
            mi.Ray3f(mi.Point3f(vector(camera.origin_mm) + offset), dr.normalize(toward))
        )
        return ray, pixel

    def _radiance(
        self,
        scene: Any,  # noqa: ANN401
        camera: Camera,
        *,
        samples: int,
        seed: int,
        firefly: float,
    ) -> Any:  # noqa: ANN401
        mi = self.mi
        import drjit as dr

        _, _, w, h = camera.window
        per_pass = int(max(1, min(samples, MOST_RAYS // (w * h))))
        passes = -(-samples // per_pass)
        total = np.zeros(w * h * 3, np.float64)
        for k in range(passes):
            sampler = mi.load_dict({"type": "independent"})
            sampler.seed((seed * 1024 + k) % 2**32, w * h * per_pass)
            ray, pixel = self._rays(camera, sampler, samples=per_pass)
            colour, _, _ = self.integrator.sample(scene, sampler, ray)
            out = dr.zeros(mi.Float, w * h * 3)
            most = dr.opaque(mi.Float, firefly * self.white)
            for c in range(3):
                value = dr.select(dr.isfinite(colour[c]), dr.clip(colour[c], 0, most), 0)
                dr.scatter_reduce(dr.ReduceOp.Add, out, value, pixel * 3 + c)
            total += np.array(out) / per_pass
        return (total / passes).reshape(h, w, 3).astype(np.float32)

    def shoot(
        self,
        camera: Camera,
        light: Light,
        *,
        samples: int,
        seed: int,
        phone: bool = True,
        firefly: float = FIREFLY,
    ) -> tuple[NDArray[np.float32], Truth]:
        """Return linear radiance ``(h, w, 3)`` and the truth of the camera's window.

        A sample counts at most ``firefly`` times a white surface.
        """
        scene = self._load(camera, light, phone=phone)
        self.white = float(light.irradiance.mean()) / np.pi
        linear = self._radiance(scene, camera, samples=samples, seed=seed, firefly=firefly)
        texel, piece = self._texels(scene, camera)
        level = np.clip(self.scene.atlas.level * 255 + 0.5, 0, 255).astype(np.uint8)
        seen = texel >= 0
        return linear, Truth(
            label=np.where(seen, self.scene.atlas.label.ravel()[texel], 0).astype(np.uint8),
            piece=piece,
            level=np.where(seen, level.ravel()[texel], 0).astype(np.uint8),
            texel=texel,
        )

    def _tables(self) -> tuple[Any, ...]:
        """Return what truth is looked up in, on the device: corners, places in atlas, owners."""
        if self.tables is None:
            mi, mesh = self.mi, self.scene.mesh
            self.tables = (
                [mi.UInt32(np.ascontiguousarray(mesh.faces[:, k], np.uint32)) for k in range(3)],
                [mi.Float(np.ascontiguousarray(mesh.uv[:, k], np.float32)) for k in range(2)],
                mi.UInt32(self.scene.face_piece.astype(np.uint32)),
            )
        return self.tables

    def _texels(
        self,
        scene: Any,  # noqa: ANN401
        camera: Camera,
    ) -> tuple[NDArray[np.int32], NDArray[np.uint8]]:
        """Return what the ray through each pixel's centre meets, without lens blur.

        ``(h, w)`` index in the flat atlas, -1 for none, and number of the piece, 0 for none.
        """
        mi = self.mi
        import drjit as dr

        corners, uv, owner = self._tables()
        still = replace(camera, aperture_mm=0.0)
        _, _, width, height = camera.window
        ray, _ = self._rays(still, None, samples=1)
        hit = scene.ray_intersect_preliminary(mi.Ray3f(ray), coherent=True)
        mine = hit.is_valid() & (hit.shape == mi.ShapePtr(self.mesh))
        face = dr.select(mine, hit.prim_index, 0)
        weights = (1 - hit.prim_uv.x - hit.prim_uv.y, hit.prim_uv.x, hit.prim_uv.y)
        at = []
        for plane in uv:
            values = [
                w * dr.gather(mi.Float, plane, dr.gather(mi.UInt32, corner, face))
                for w, corner in zip(weights, corners, strict=True)
            ]
            at.append(values[0] + values[1] + values[2])
        column = dr.clip(mi.Int32(at[0] * ATLAS_COLUMNS), 0, ATLAS_COLUMNS - 1)
        row = dr.clip(mi.Int32(at[1] * ATLAS_ROWS), 0, ATLAS_ROWS - 1)
        texel = dr.select(mine, row * ATLAS_COLUMNS + column, -1)
        piece = dr.select(mine, dr.gather(mi.UInt32, owner, face), 0)
        shape = (height, width)
        return (
            np.array(texel).reshape(shape).astype(np.int32),
            np.array(piece).reshape(shape).astype(np.uint8),
        )
