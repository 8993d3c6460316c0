"""Triangle meshes in mm for wire, tube, sheet and fittings.

A swept surface carries u round the profile and v along the path, both 0..1. Its
round profile is scaled so that the MEAN width of the polygon over all directions
is the diameter asked for (Cauchy: mean width = perimeter / pi), so that truth is
exact however few sides there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mesh:
    """Vertices in mm, unit normals, texture coordinates, faces."""

    points: Array
    normals: Array
    uv: Array
    faces: NDArray[np.int64]

    def moved(self, matrix: Array, shift: Array) -> Mesh:
        """Return the mesh turned by a rotation ``matrix``, then shifted."""
        return Mesh(
            points=self.points @ matrix.T + shift,
            normals=self.normals @ matrix.T,
            uv=self.uv,
            faces=self.faces,
        )


def join(meshes: Sequence[Mesh]) -> Mesh:
    """Return one mesh of several."""
    offsets = np.cumsum([0] + [len(m.points) for m in meshes[:-1]])
    return Mesh(
        points=np.concatenate([m.points for m in meshes]),
        normals=np.concatenate([m.normals for m in meshes]),
        uv=np.concatenate([m.uv for m in meshes]),
        faces=np.concatenate([m.faces + o for m, o in zip(meshes, offsets, strict=True)]),
    )


def turn_z(angle: float) -> Array:
    """Return the rotation by ``angle`` radians about the vertical."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def round_profile(diameter_mm: float, *, sides: int) -> tuple[Array, Array]:
    """Return points and normals of a polygon whose mean width is the diameter."""
    angle = 2 * np.pi * np.arange(sides + 1) / sides
    normals = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    radius = diameter_mm / 2 * (np.pi / sides) / np.sin(np.pi / sides)
    return normals * radius, normals


def flat_profile(width_mm: float, height_mm: float, *, corner_mm: float) -> tuple[Array, Array]:
    """Return a rectangle with rounded corners, as a profile."""
    corner = min(corner_mm, 0.49 * width_mm, 0.49 * height_mm)
    points, normals = [], []
    for k, (sx, sy) in enumerate([(1, 1), (-1, 1), (-1, -1), (1, -1)]):
        for a in np.linspace(0, np.pi / 2, 5) + k * np.pi / 2:
            n = np.array([np.cos(a), np.sin(a)])
            centre = np.array([sx * (width_mm / 2 - corner), sy * (height_mm / 2 - corner)])
            points.append(centre + corner * n)
            normals.append(n)
    points.append(points[0])
    normals.append(normals[0])
    return np.array(points), np.array(normals)


def tangents(path: Array) -> Array:
    """Return unit tangents of paths ``(..., n, 3)``."""
    t = np.gradient(path, axis=-2)
    unit: Array = t / np.maximum(np.linalg.norm(t, axis=-1, keepdims=True), 1e-12)
    return unit


def frames(path: Array, *, up: Array = UP) -> tuple[Array, Array, Array]:
    """Return tangent, side and lift of paths that never run along ``up``."""
    t = tangents(path)
    side = np.cross(t, up)
    side /= np.maximum(np.linalg.norm(side, axis=-1, keepdims=True), 1e-9)
    return t, side, np.cross(side, t)


def sweep(
    path: Array,
    profile: tuple[Array, Array],
    *,
    up: Array = UP,
    scale: Array | None = None,
    caps: bool = True,
    inward: bool = False,
) -> Mesh:
    """Return the surface of ``profile`` carried along one path ``(n, 3)``.

    Args:
        path: Centre line in mm.
        profile: Closed profile (last point repeats the first) and its normals.
        up: Direction the path never follows; the profile's second axis leans to it.
        scale: ``(n, 2)`` stretch of the profile at each ring, 1 where None.
        caps: Close both ends with flat faces.
        inward: Turn the surface inside out (bore of a tube).
    """
    points2, normals2 = profile
    n, p = len(path), len(points2)
    t, side, lift = frames(path, up=up)
    stretch = np.ones((n, 2)) if scale is None else scale
    local = points2[None] * stretch[:, None, :]
    points = path[:, None] + local[..., :1] * side[:, None] + local[..., 1:] * lift[:, None]
    # The normal of a stretched profile leans with the inverse stretch, and along
    # the path with the slope of the radius.
    flat = normals2[None] / np.maximum(stretch[:, None, :], 1e-6)
    flat /= np.maximum(np.linalg.norm(flat, axis=-1, keepdims=True), 1e-9)
    step = np.maximum(np.linalg.norm(np.gradient(path, axis=0), axis=1), 1e-9)
    radius = np.linalg.norm(points2, axis=1).max()
    slope = np.gradient(stretch.mean(axis=1)) * radius / step if n > 1 else np.zeros(n)
    normals = flat[..., :1] * side[:, None] + flat[..., 1:] * lift[:, None]
    normals = normals - np.clip(slope, -3, 3)[:, None, None] * t[:, None]
    normals /= np.maximum(np.linalg.norm(normals, axis=-1, keepdims=True), 1e-9)
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    v = arc / max(arc[-1], 1e-9)
    uv = np.stack(np.broadcast_arrays(np.linspace(0, 1, p)[None, :], v[:, None]), axis=-1).reshape(
        -1, 2
    )
    i, j = np.meshgrid(np.arange(n - 1), np.arange(p - 1), indexing="ij")
    a = (i * p + j).ravel()
    b, c, d = a + 1, a + p, a + p + 1
    faces = np.concatenate([np.stack([a, b, d], 1), np.stack([a, d, c], 1)])
    if inward:
        faces, normals = faces[:, ::-1], -normals
    body = Mesh(points=points.reshape(-1, 3), normals=normals.reshape(-1, 3), uv=uv, faces=faces)
    if not caps:
        return body
    ends = []
    for ring, sign in ((0, -1.0), (n - 1, 1.0)):
        rim = points[ring]
        spread = max(float(np.abs(points2).max()), 1e-9)
        cap_uv = np.stack(
            [
                0.5 + 0.45 * points2[:, 0] / spread,
                np.clip(v[ring] + sign * 0.004 * points2[:, 1] / spread, 0, 1),
            ],
            axis=1,
        )
        ends.append(_fan(rim, path[ring], t[ring] * sign, cap_uv, flip=sign < 0))
    return join([body, *ends])


def _fan(rim: Array, centre: Array, normal: Array, uv: Array, *, flip: bool) -> Mesh:
    points = np.concatenate([rim, centre[None]])
    k = np.arange(len(rim) - 1)
    faces = np.stack([k, k + 1, np.full_like(k, len(rim))], axis=1)
    return Mesh(
        points=points,
        normals=np.broadcast_to(normal, points.shape).copy(),
        uv=np.concatenate([uv, uv.mean(axis=0, keepdims=True)]),
        faces=faces[:, ::-1] if flip else faces,
    )


def ring_face(outer: Array, inner: Array, normal: Array, *, v: float) -> Mesh:
    """Return the flat ring between two rims of equal length (a tube's wall)."""
    n = len(outer)
    points = np.concatenate([outer, inner])
    u = np.linspace(0, 1, n)
    k = np.arange(n - 1)
    faces = np.concatenate(
        [np.stack([k, k + 1, k + 1 + n], axis=1), np.stack([k, k + 1 + n, k + n], axis=1)]
    )
    return Mesh(
        points=points,
        normals=np.broadcast_to(normal, points.shape).copy(),
        uv=np.stack([np.tile(u, 2), np.full(2 * n, v)], axis=1),
        faces=faces,
    )


def prism(outline: Array, *, bottom_mm: float, top_mm: float, spread: float | None = None) -> Mesh:
    """Return an upright prism over a star-shaped outline ``(n, 2)``, flat shaded.

    The top's uv covers the outline's bounding box; the sides take its border.
    """
    closed = np.concatenate([outline, outline[:1]])
    low, high = outline.min(axis=0), outline.max(axis=0)
    uv = (closed - low) / np.maximum(high - low, 1e-9)
    centre2 = outline.mean(axis=0)
    top = np.column_stack([closed, np.full(len(closed), top_mm)])
    centre = np.array([*centre2, top_mm])
    parts = [_fan(top, centre, UP, uv, flip=False)]
    parts[0].uv[-1] = (centre2 - low) / np.maximum(high - low, 1e-9)
    edge = np.diff(closed, axis=0)
    flat = np.stack([edge[:, 1], -edge[:, 0]], axis=1)
    flat /= np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-9)
    if spread is None:  # smooth sides for many-sided outlines
        spread = 1.0 if len(outline) > 16 else 0.0
    n_edges = len(edge)
    smooth0 = flat + np.roll(flat, 1, axis=0) * spread
    smooth1 = flat + np.roll(flat, -1, axis=0) * spread
    normals2 = np.stack([smooth0, smooth1, smooth1, smooth0], axis=1).reshape(-1, 2)
    normals2 /= np.maximum(np.linalg.norm(normals2, axis=1, keepdims=True), 1e-9)
    a, b = closed[:-1], closed[1:]
    quads = np.stack(
        [
            np.column_stack([a, np.full(n_edges, bottom_mm)]),
            np.column_stack([b, np.full(n_edges, bottom_mm)]),
            np.column_stack([b, np.full(n_edges, top_mm)]),
            np.column_stack([a, np.full(n_edges, top_mm)]),
        ],
        axis=1,
    ).reshape(-1, 3)
    side_uv = 0.5 + (np.stack([uv[:-1], uv[1:], uv[1:], uv[:-1]], axis=1) - 0.5) * 0.99
    k = 4 * np.arange(n_edges)
    faces = np.concatenate(
        [np.stack([k, k + 1, k + 2], axis=1), np.stack([k, k + 2, k + 3], axis=1)]
    )
    parts.append(
        Mesh(
            points=quads,
            normals=np.column_stack([normals2, np.zeros(len(normals2))]),
            uv=side_uv.reshape(-1, 2),
            faces=faces,
        )
    )
    return join(parts)


def grid(points: Array, *, flip: bool = False) -> Mesh:
    """Return a smooth surface through a grid of points ``(rows, columns, 3)``."""
    rows, columns = points.shape[:2]
    du = np.gradient(points, axis=1)
    dv = np.gradient(points, axis=0)
    normals = np.cross(du, dv)
    normals /= np.maximum(np.linalg.norm(normals, axis=-1, keepdims=True), 1e-9)
    u, v = np.meshgrid(np.linspace(0, 1, columns), np.linspace(0, 1, rows))
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(columns - 1), indexing="ij")
    a = (i * columns + j).ravel()
    b, c, d = a + 1, a + columns, a + columns + 1
    faces = np.concatenate([np.stack([a, b, d], 1), np.stack([a, d, c], 1)])
    if flip:
        faces, normals = faces[:, ::-1], -normals
    return Mesh(
        points=points.reshape(-1, 3),
        normals=normals.reshape(-1, 3),
        uv=np.stack([u, v], axis=-1).reshape(-1, 2),
        faces=faces,
    )


def strand_paths(
    path: Array,
    *,
    offsets: Array,
    lay_mm: Array,
    fan: Array | None = None,
    floor_mm: float = 0.0,
) -> Array:
    """Return the centre lines ``(strands, n, 3)`` of strands laid round a path.

    Args:
        path: Centre line of the cable, ``(n, 3)``.
        offsets: ``(strands, 2)`` place of each strand in the cross-section, mm.
        lay_mm: ``(strands,)`` length of one turn; its sign is the direction.
        fan: ``(n,)`` how far the strands stand apart, 1 tightly laid.
        floor_mm: Lowest height of a strand's centre line.
    """
    _, side, lift = frames(path)
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    turn = 2 * np.pi * arc[None, :] / lay_mm[:, None]
    radius = np.hypot(offsets[:, 0], offsets[:, 1])[:, None]
    start = np.arctan2(offsets[:, 1], offsets[:, 0])[:, None]
    apart = np.ones(len(path)) if fan is None else fan
    a = radius * np.cos(start + turn) * apart[None]
    b = radius * np.sin(start + turn) * apart[None]
    out: Array = path[None] + a[..., None] * side[None] + b[..., None] * lift[None]
    out[..., 2] = np.maximum(out[..., 2], floor_mm)
    return out


def concentric_offsets(strands: int, strand_mm: float) -> tuple[Array, NDArray[np.int64]]:
    """Return places and layer numbers of 7, 19 or 37 concentric strands."""
    places, layers = [(0.0, 0.0)], [0]
    layer = 0
    while len(places) < strands:
        layer += 1
        for k in range(6 * layer):
            a = 2 * np.pi * k / (6 * layer)
            places.append((layer * strand_mm * np.cos(a), layer * strand_mm * np.sin(a)))
            layers.append(layer)
    return np.array(places[:strands]), np.array(layers[:strands])


def bunched_offsets(strands: int, strand_mm: float, *, rng: np.random.Generator) -> Array:
    """Return places of a bunch: the innermost of a hexagonal packing, shaken."""
    reach = int(np.ceil(np.sqrt(strands))) + 2
    k, m = np.meshgrid(np.arange(-reach, reach + 1), np.arange(-reach, reach + 1))
    x = (k + 0.5 * m).ravel() * strand_mm * 1.03
    y = (m * np.sqrt(3) / 2).ravel() * strand_mm * 1.03
    shift = rng.uniform(-0.3, 0.3, 2) * strand_mm
    order = np.argsort(np.hypot(x - shift[0], y - shift[1]))[:strands]
    places = np.stack([x, y], axis=1)[order] - shift
    return places + rng.normal(0, 0.05 * strand_mm, places.shape)


def outward(mesh: Mesh) -> Mesh:
    """Return the mesh with every face wound so that it looks the way its normals do."""
    a, b, c = (mesh.points[mesh.faces[:, k]] for k in range(3))
    flat = np.cross(b - a, c - a)
    mean = mesh.normals[mesh.faces].sum(axis=1)
    wrong = np.einsum("nk,nk->n", flat, mean) < 0
    faces = np.where(wrong[:, None], mesh.faces[:, ::-1], mesh.faces)
    return Mesh(points=mesh.points, normals=mesh.normals, uv=mesh.uv, faces=faces)
